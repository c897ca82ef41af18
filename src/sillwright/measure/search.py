"""The search of a run's photos for bolts: where on the wall, and what each photo shows there."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from sillwright.camera import Array
from sillwright.measure.block import Block
from sillwright.measure.line import view_tasks
from sillwright.measure.work import BoltSearch, BoltTask, Crew, look_for_bolts, shows
from sillwright.rectify import plane_seen
from sillwright.see.edges import WallEdges
from sillwright.see.vertical import VerticalPhoto
from sillwright.see.wall import WallArea

BEYOND_CARDS_MM = 1600.0  # as far past the first and last card as a photo of them shows
BEYOND_PLATE_MM = 25.0


@dataclass(frozen=True)
class Bounds:
    """Where along the run, and how far to either side of the line, bolts are looked for (wall frame)."""

    x_from_mm: float
    x_to_mm: float
    y_from_mm: float
    y_to_mm: float


@dataclass(frozen=True)
class Search:
    """All that was seen of standing things on a run."""

    tasks: tuple[BoltTask, ...]
    searches: tuple[BoltSearch, ...]

    @property
    def edges(self) -> tuple[WallEdges, ...]:
        """Wall edges by photo."""
        return tuple(search.edges for search in self.searches)

    def showing(self, ends_mm: Array) -> tuple[int, ...]:
        """The photos (indices) fine enough to measure in that have all of a bolt, given its two ends (2, 3)."""
        views = [(i, task.view) for i, task in enumerate(self.tasks) if not task.is_coarse]
        return tuple(i for i, view in views if shows(view.camera, view.pose, ends_mm[None])[0])


@dataclass(frozen=True)
class BoltShape:
    """What is known of the bolts: thread radius and chamfer as they show at the print scale used, stick-up stated."""

    radius_mm: float
    chamfer_mm: float
    stickup_mm: float | None


def bounds_of(block: Block, plate_width_mm: float, within_mm: tuple[float, float]) -> Bounds:
    """From well before the first card to well past the last, a plate's width to either side, between two stations."""
    cards = zip(block.solution.state.cards, block.numbers, strict=True)
    x = [float(card.origin_mm[0]) for card, number in cards if number in block.own]
    wide = plate_width_mm + BEYOND_PLATE_MM
    low, high = max(min(x) - BEYOND_CARDS_MM, within_mm[0]), min(max(x) + BEYOND_CARDS_MM, within_mm[1])
    return Bounds(low, high, -wide, wide)


def search_photos(
    block: Block,
    bounds: Bounds,
    face_height_mm: float,
    radius_mm: float,
    crew: Crew,
    edges: Sequence[WallEdges] | None = None,
) -> tuple[Search, tuple[VerticalPhoto | None, ...]]:
    """Look for bolts in every photo of a block, each in the part of the wall it shows.

    ``edges`` are the wall's by photo where they have been looked for. The photos looked straight down on come beside
    the search, to be let go as soon as rough places are known; None for those that cannot show a bolt.
    """
    tasks = []
    for photo, view in enumerate(view_tasks(block)):
        ground = plane_seen(view.camera, view.pose)
        low = max(bounds.x_from_mm, float(ground[:, 0].min())) if len(ground) else 0.0
        high = min(bounds.x_to_mm, float(ground[:, 0].max())) if len(ground) else 0.0
        area = WallArea(low, max(high, low), bounds.y_from_mm, bounds.y_to_mm)
        x = np.linspace(bounds.x_from_mm - 500.0, bounds.x_to_mm + 500.0, 80)
        line = np.column_stack([x, np.zeros(len(x)), np.zeros(len(x))])
        tasks.append(BoltTask(view, area, (line,), face_height_mm, radius_mm, None if edges is None else edges[photo]))
    found = crew.share_out(look_for_bolts, tasks)
    return Search(tuple(tasks), tuple(search for search, _ in found)), tuple(down for _, down in found)
