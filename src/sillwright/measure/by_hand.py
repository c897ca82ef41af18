"""Bolts that a person moved, added or struck out: measured with the marked points as observations beside the edges."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from sillwright.camera import Array
from sillwright.corrections import SAME_PLACE_MM, HandBolt, HandStrike, RunCorrections, place_words
from sillwright.job import Job
from sillwright.lengths import format_feet_inches
from sillwright.measure.block import Block
from sillwright.measure.find import STATED_STICKUP_SIGMA_MM, FoundBolt, lay_by_hand, views_of
from sillwright.measure.search import BoltShape, Search
from sillwright.measure.starts import APART_MM, Start, ends_of
from sillwright.measure.verdict import Judged, judge_marked
from sillwright.measure.work import Crew
from sillwright.solve.axis import RADIUS_SIGMA, STAND_IN_HEIGHT_MM
from sillwright.solve.climb import HEIGHT_RANGE_MM
from sillwright.solve.hand import HandPoint
from sillwright.solve.hand_axis import NORMAL_95, Known, disagreement, fit_points, is_pulled, rough_axis, tips_seen

FAR_MM = 150.0  # no bolt is misread by a hand's width: the points are of another one (common practice, no source)
BY_HAND = "corrected-by-hand"


@dataclass(frozen=True)
class ByHand:
    """What came of the corrections of one run's bolts.

    bolts : moved and added ones, as measured; moved, struck : which of the bolts found (indices) they replace, and
    which are none; faults : a sentence for each entry that cannot be used
    """

    bolts: tuple[Judged, ...] = ()
    moved: tuple[int, ...] = ()
    struck: tuple[int, ...] = ()
    faults: tuple[str, ...] = ()

    def untouched(self, found: Sequence[Judged]) -> tuple[Judged, ...]:
        """Of the bolts found those that no correction is about."""
        return tuple(one for k, one in enumerate(found) if k not in (*self.moved, *self.struck))


NOT_CORRECTED = ByHand()


def correct_bolts(
    job: Job,
    corrections: RunCorrections,
    block: Block,
    found: Sequence[Judged],
    y_sign: float,
    search: Search,
    shape: BoltShape,
    crew: Crew,
) -> ByHand:
    """The corrections of a run's bolts carried out on what was found.

    y_sign : +1 where the plate lies to the left of the line, -1 to the right; places in corrections count so
    """
    faults: list[str] = []
    struck, moved, bolts = [], [], []
    for strike in corrections.strikes:
        at = _nearest(strike, found, y_sign)
        if at is None:
            faults.append(f"{strike.entry}: {_nothing_there(strike, found, y_sign)} Strike out a bolt that is listed.")
        else:
            struck.append(at)
    for one in corrections.bolts:
        points, unplaced = _points(job, block, one)
        at = _nearest(one, found, y_sign) if one.kind == "moved" else None
        faults += unplaced
        if one.kind == "moved" and at is None:
            to_do = 'Copy station and setback from the record; kind = "missed" adds a bolt that it has not.'
            faults.append(f"{one.entry}: {_nothing_there(one, found, y_sign)} {to_do}")
        if unplaced or (one.kind == "moved" and at is None):
            continue
        before = None if at is None else found[at]
        moved += [] if at is None else [at]
        bolts.append(_measured(points, before, search, shape, crew))
        faults += _too_far(one, bolts[-1], y_sign)
    hand = ByHand(tuple(bolts), tuple(moved), tuple(struck))
    faults += _crowded(corrections.bolts, hand, found) if not faults else []
    return replace(hand, faults=tuple(faults))


def _points(job: Job, block: Block, one: HandBolt) -> tuple[list[HandPoint], list[str]]:
    """The points marked of a bolt, and a sentence for each photo that stands in no place of the run."""
    points, faults = [], []
    for mark in one.marks:
        if mark.photo not in block.photos:
            faults.append(unplaced_fault(one.entry, job.file_name(mark.photo)))
            continue
        photo = block.photos.index(mark.photo)
        camera, pose = block.camera(photo), block.pose(photo)
        if mark.base_px is not None:
            points.append(HandPoint(photo, camera, pose, "base", np.array(mark.base_px)))
        if mark.tip_px is not None:
            points.append(HandPoint(photo, camera, pose, "tip", np.array(mark.tip_px)))
    return points, faults


def unplaced_fault(entry: str, photo: str) -> str:
    """The sentence for a mark in a photo that the run's cards do not place."""
    return f"{entry}, photo: {photo} could not be placed on the run, so nothing in it counts. Mark it in another photo."


def _places(found: Sequence[Judged], y_sign: float) -> Array:
    """Station and setback of each bolt, (K, 2)."""
    return np.array([one.found.fit.parameters[:2] * [1.0, y_sign] for one in found]).reshape(-1, 2)


def _nearest(one: HandBolt | HandStrike, found: Sequence[Judged], y_sign: float) -> int | None:
    """Which of the bolts found (index) an entry means; None where none is so near."""
    off = np.linalg.norm(_places(found, y_sign) - [one.station_mm, one.setback_mm], axis=1)
    return int(np.argmin(off)) if len(off) and off.min() <= SAME_PLACE_MM else None


def _nothing_there(one: HandBolt | HandStrike, found: Sequence[Judged], y_sign: float) -> str:
    places = _places(found, y_sign)
    if not len(places):
        return "the photos of this run show no bolt at all."
    nearest = places[np.argmin(np.linalg.norm(places - [one.station_mm, one.setback_mm], axis=1))]
    there = place_words(one.station_mm, one.setback_mm)
    return f"no bolt was found at {there}; the nearest is at {place_words(*(float(v) for v in nearest))}."


def _too_far(one: HandBolt, bolt: Judged, y_sign: float) -> list[str]:
    x, y = (float(v) for v in bolt.found.fit.parameters[:2] * [1.0, y_sign])
    off_mm = float(np.hypot(x - one.station_mm, y - one.setback_mm))
    if off_mm <= FAR_MM:
        return []
    return [
        f"{one.entry}: its points lie at {place_words(x, y)}, {format_feet_inches(off_mm)} from where the entry says. "
        "Mark them again, or correct station and setback."
    ]


def _crowded(entries: Sequence[HandBolt], hand: ByHand, found: Sequence[Judged]) -> list[str]:
    """A sentence for each bolt put where another one stands."""
    faults = []
    others = list(hand.untouched(found))
    for one, bolt in zip(entries, hand.bolts, strict=True):
        foot = bolt.found.fit.parameters[:2]
        if any(np.linalg.norm(other.found.fit.parameters[:2] - foot) < APART_MM for other in others):
            faults.append(
                f'{one.entry}: another bolt stands there already. Move that one (kind = "moved"), or strike it out.'
            )
        others.append(bolt)
    return faults


def _measured(
    points: Sequence[HandPoint], before: Judged | None, search: Search, shape: BoltShape, crew: Crew
) -> Judged:
    """A bolt by its points and by the edges that bear them out; by the points alone where none do."""
    start = _start(points, before, shape)
    (views,) = views_of(search, [([Start(start, 0.0)], search.showing(ends_of(start)))], shape, crew)
    seen = None
    if views:
        laid = lay_by_hand(views, start, shape, tuple(points), tip_open=before is None and tips_seen(points) < 2)
        seen = judge_marked(laid, shape)
    if seen is not None and not is_pulled(seen.found.fit, points):
        return replace(seen, doubts=(BY_HAND, *seen.doubts), photos_alone=before)
    against = seen.found.fit.parameters if seen is not None else None if before is None else before.found.fit.parameters
    alone = _by_points(points, start, before, shape, against)
    notes = () if alone.fit.height_known else ("stated-stickup",) if alone.stated else ("one-view",)
    doubts = (BY_HAND,) if seen is not None else (BY_HAND, "weak-evidence")
    return Judged(alone, doubts, notes, photos_alone=before)


def _start(points: Sequence[HandPoint], before: Judged | None, shape: BoltShape) -> Array:
    """Where to start from, (7,)."""
    if before is not None:
        start = rough_axis(points, before.found.fit.parameters)
    else:
        height_mm = STAND_IN_HEIGHT_MM if shape.stickup_mm is None else shape.stickup_mm
        start = rough_axis(points, np.array([0.0, 0.0, 0.0, 0.0, height_mm, shape.radius_mm, 0.0]))
        if not tips_seen(points):
            start[2:4] = start[:2]
    start[4] = np.clip(start[4], *HEIGHT_RANGE_MM)
    if np.linalg.norm(start[2:4] - start[:2]) > FAR_MM:
        start[2:4] = start[:2]  # rays that do not meet: upright is nearer the truth than where they pass
    return start


def _by_points(
    points: Sequence[HandPoint], start: Array, before: Judged | None, shape: BoltShape, against: Array | None
) -> FoundBolt:
    """A bolt by its points alone.

    against : where the photos have it instead, (7,). Of two that contradict each other nobody can say which is right,
    so the interval reaches from the one to the other.
    """
    last = None if before is None else before.found
    stickup_mm, from_photos, stated = _stickup(points, last, shape)
    known = None if last is None else Known(last.fit.parameters, last.fit.covariance)
    fit = fit_points(points, start, shape.radius_mm, RADIUS_SIGMA, stickup_mm, known)
    unsure = disagreement(points, fit)
    if against is not None:
        apart = np.append(fit.parameters[:5] - against[:5], [0.0, 0.0]) / NORMAL_95
        unsure = unsure + np.outer(apart, apart)
    fit = replace(fit, height_known=from_photos)
    return FoundBolt(fit, (), (), 0.0, 0, stated, hand=tuple(points), unsure=unsure)


def _stickup(
    points: Sequence[HandPoint], last: FoundBolt | None, shape: BoltShape
) -> tuple[tuple[float, float] | None, bool, bool]:
    """The stick-up to hold and its sigma, mm, None where the points or the photos give it; whether the photos gave it,
    and whether it was stated."""
    tips = tips_seen(points)
    if tips > 1:
        return None, True, False
    if tips == 0 and last is not None:
        return None, last.fit.height_known, last.stated
    if tips == 1 and shape.stickup_mm is not None:
        return (shape.stickup_mm, STATED_STICKUP_SIGMA_MM), False, True
    if tips == 1 and last is not None and last.fit.height_known:
        length_mm = float(np.linalg.norm(last.fit.tip_mm - last.fit.base_mm))
        sigma_mm = max(STATED_STICKUP_SIGMA_MM, float(np.sqrt(last.fit.covariance[4, 4])))
        return (length_mm, sigma_mm), True, False
    return (STAND_IN_HEIGHT_MM, STATED_STICKUP_SIGMA_MM), False, False
