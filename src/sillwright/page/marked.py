"""A run's bolts and its chalk line as one photo shows them: where the record has them, and where a person marked them.

All places are pixels of the photo as it is shown upright, at full size, as in corrections.toml.

A bolt is known by its place (station and setback) as the photos alone had it: by that corrections.toml names bolts,
and other than its mark it does not change with what is corrected. One that a person added is known by the place in the
file.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Literal

import numpy as np

from sillwright.camera import Array, meet_plane
from sillwright.corrections import SAME_PLACE_MM
from sillwright.corrections_file import BoltTable, CorrectionsTable, Pixel, StrikeTable
from sillwright.measure.by_hand import FAR_MM
from sillwright.page.folder import JobFolder, photos_of
from sillwright.photo import stored_from_view, turned_size
from sillwright.survey import BoltRecord, PhotoRecord, RunRecord, Status, view_of
from sillwright.tell.frames import bolt_base_mm, bolt_tip_mm, camera_of, pose_of, reach_mm
from sillwright.tell.pictures import Screen
from sillwright.tell.rows import shown_status

BY_HAND = "corrected-by-hand"
_BEYOND_MM = 600.0  # how far past its cards and bolts the line is drawn
_STEP_MM = 20.0


@dataclass(frozen=True)
class Spot:
    """Where a bolt stands on its run, by which it is known."""

    station_mm: float
    setback_mm: float

    @property
    def key(self) -> str:
        """As forms carry it."""
        return f"{self.station_mm:.3f} {self.setback_mm:.3f}"

    def off_mm(self, other: Spot) -> float:
        """How far it is to another place."""
        return math.hypot(self.station_mm - other.station_mm, self.setback_mm - other.setback_mm)

    def is_same(self, other: Spot) -> bool:
        """Whether both are of one bolt."""
        return self.off_mm(other) <= SAME_PLACE_MM


@dataclass(frozen=True)
class KnownBolt:
    """One bolt of a run: of the record, added by a person, or both. ``record`` is None until it was measured."""

    spot: Spot
    kind: Literal["moved", "missed"]
    record: BoltRecord | None

    @property
    def mark(self) -> str:
        """The bolt's mark; empty until it was measured."""
        return "" if self.record is None else self.record.mark


@dataclass(frozen=True)
class DrawnBolt:
    """A bolt in one photo. ``base_px`` and ``tip_px`` are where it was marked there, else where the record has it."""

    bolt: KnownBolt
    status: Status | None
    base_px: Pixel
    tip_px: Pixel | None
    is_marked: bool
    is_struck: bool


class View:
    """One photo placed on a run: from the run to its upright pixels and back."""

    def __init__(self, photo: PhotoRecord, run: str) -> None:
        view = view_of(photo, run)
        assert photo.camera is not None
        assert view is not None
        self.photo = photo
        self._screen = Screen(camera_of(photo.camera), pose_of(view), photo.orientation, 1.0)
        self.width_px, self.height_px = turned_size(photo.camera.width_px, photo.camera.height_px, photo.orientation)

    @property
    def left_handed(self) -> bool:
        """Whether the run frame is."""
        return self._screen.left_handed

    def pixels(self, points_mm: Array) -> Array:
        """Points (N, 3) of the run to upright pixels (N, 2); NaN where the lens cannot see."""
        return self._screen(points_mm)

    def pixel(self, point_mm: Array | None) -> Pixel | None:
        """One such point; None where it is not known or not in the photo."""
        if point_mm is None:
            return None
        x, y = self.pixels(point_mm[None])[0].tolist()
        return (x, y) if self.holds((x, y)) else None

    def holds(self, px: Pixel) -> bool:
        """Whether a place lies in the photo."""
        return -0.5 <= px[0] <= self.width_px - 0.5 and -0.5 <= px[1] <= self.height_px - 0.5

    def on_concrete(self, px: Pixel) -> Spot | None:
        """Where the ray through a pixel meets the concrete; None where it does not."""
        camera, pose = self._screen.camera, self._screen.pose
        stored = stored_from_view(np.array([px]), self.photo.orientation, camera.width_px, camera.height_px)
        x, y, _ = meet_plane(camera, pose, stored)[0].tolist()
        return Spot(x, y) if math.isfinite(x) and math.isfinite(y) else None


def is_placed(photo: PhotoRecord, run: str) -> bool:
    """Whether a photo was placed on a run, so that what is marked in it counts."""
    return photo.camera is not None and view_of(photo, run) is not None


def spot_of_entry(entry: BoltTable | StrikeTable) -> Spot:
    """Which bolt an entry means."""
    return Spot(entry.station_mm, entry.setback_mm)


def known_bolts(run: RunRecord, table: CorrectionsTable) -> tuple[KnownBolt, ...]:
    """Every bolt of a run that has a place: of the record, in its order, then those added and not yet measured."""
    added: list[Spot] = []
    for entry in table.bolt:
        spot = spot_of_entry(entry)
        if entry.run == run.name and entry.kind == "missed" and not any(spot.is_same(other) for other in added):
            added.append(spot)
    known = []
    for record in run.bolts:
        if record.station_mm is None or record.setback_mm is None:
            continue
        own = Spot(record.station_mm, record.setback_mm)
        alone = record.photos_alone
        if alone is not None and alone.station_mm is not None and alone.setback_mm is not None:
            known.append(KnownBolt(Spot(alone.station_mm, alone.setback_mm), "moved", record))
            continue
        if any(reason.code == BY_HAND for reason in record.reasons):
            home = min(added, key=own.off_mm, default=None)
            if home is not None and home.off_mm(own) <= FAR_MM:
                added.remove(home)
                known.append(KnownBolt(home, "missed", record))
                continue
        known.append(KnownBolt(own, "moved", record))
    return (*known, *(KnownBolt(spot, "missed", None) for spot in added))


def is_struck(bolt: KnownBolt, run: str, table: CorrectionsTable) -> bool:
    """Whether a person said that it is no bolt; one that was added where such a thing was is meant to be one."""
    return bolt.kind == "moved" and any(
        one.run == run and spot_of_entry(one).is_same(bolt.spot) for one in table.strike
    )


def drawn_bolts(view: View, run: RunRecord, table: CorrectionsTable) -> tuple[DrawnBolt, ...]:
    """The bolts whose foot lies in a photo, or was marked there."""
    drawn = []
    for bolt in known_bolts(run, table):
        record = bolt.record
        base_px = view.pixel(bolt_base_mm(record)) if record is not None else None
        tip_px = view.pixel(bolt_tip_mm(record)) if record is not None else None
        here = [
            one
            for one in table.bolt
            if (one.run, one.photo, one.kind) == (run.name, view.photo.file, bolt.kind)
            and spot_of_entry(one).is_same(bolt.spot)
        ]
        for entry in here:
            base_px, tip_px = entry.base_px or base_px, entry.tip_px or tip_px
        if base_px is not None:
            status = None if record is None else shown_status(run, record)
            drawn.append(DrawnBolt(bolt, status, base_px, tip_px, bool(here), is_struck(bolt, run.name, table)))
    return tuple(drawn)


def drawn_line(view: View, run: RunRecord) -> tuple[Pixel, ...]:
    """The chalk line where a photo shows it, as points along it."""
    low_mm, high_mm = reach_mm(run, view.left_handed)
    x_mm = np.arange(low_mm - _BEYOND_MM, high_mm + _BEYOND_MM, _STEP_MM)
    points = view.pixels(np.column_stack([x_mm, np.zeros_like(x_mm), np.zeros_like(x_mm)]))
    return tuple((x, y) for x, y in points.tolist() if view.holds((x, y)))


def photos_by_run(job: JobFolder) -> Mapping[str, Mapping[str, Path]]:
    """The photos of each run, and of its corners, under the names the record has for them."""
    root = job.path.resolve()
    names = [place.runs[0] for place in job.places if place.kind == "run"]
    return {
        name: {
            photo.relative_to(root).as_posix(): photo
            for place in job.places
            if name in place.runs
            for photo in photos_of(job, place)
        }
        for name in names
    }
