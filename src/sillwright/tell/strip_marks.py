"""What is drawn on and round a run's strip: scale, line, plate, wall edges, cards, bolts and their tags."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from sillwright.camera import Array
from sillwright.lengths import MM_PER_INCH, format_inches
from sillwright.photo import Pixels
from sillwright.survey import BoltRecord, RunRecord, Status, Survey, left_handed
from sillwright.tell.frames import bolt_base_mm, card_outline_mm, zero_card
from sillwright.tell.rows import STATUS_WORDS, bolt_tag, must_come_mm, shown_status, straightening_tag
from sillwright.tell.sketch import (
    BOLT,
    CARD,
    FAINT,
    INK,
    LINE,
    LINE_BESIDE_MM,
    PAPER,
    PLATE,
    STATUS_COLORS,
    Box,
    Color,
    Entry,
    Legend,
    Sketch,
    round_px,
    tag_box,
    words_box,
)
from sillwright.tell.strip import StripFrame, mosaic
from sillwright.tell.wording import run_facts

ARROW_MM = 36.0  # of every arrow on the wall: as on photos and plan, its length says nothing
_MM_PER_FOOT = 12 * MM_PER_INCH
_TAG_LEVELS = 3
_TAG_STEP = 4.7  # this and what follows in heights of the lettering
_SMALL = 0.72
_DOUBTS: dict[Status, str] = {
    "check": f"{STATUS_WORDS['check']}: read the reason before drilling",
    "reshoot": f"{STATUS_WORDS['reshoot']}: no number to rely on",
}


def run_strip(survey: Survey, run: RunRecord, load_pixels: Callable[[str], Pixels]) -> Pixels:
    """A run from above, true to scale on the concrete, with its scale and what was measured; BGR, some 8000 px at most.

    ``load_pixels`` gives the stored pixels of a photo by its ``file``; a photo it raises an error of this package for
    is left out. ``strip_frame`` and ``mosaic_top_left_px`` tell where a point of the run comes to lie.
    """
    frame, flat = mosaic(survey, run, load_pixels)
    size_px = lettering_px(frame)
    left_px, top_px = mosaic_top_left_px(frame)
    place = _Place(frame, left_px, top_px)
    tags = _tags(run, place, size_px)
    width_px = frame.columns + 2 * left_px
    legend = Legend(_entries(run), round(_SMALL * size_px), width_px)
    levels = max((tag.level for tag in tags), default=-1) + 1
    below_px = round((levels * _TAG_STEP + 1.4) * size_px + legend.height_px)
    canvas = np.empty((top_px + frame.rows + below_px, width_px, 3), dtype=np.uint8)
    canvas[:] = np.array(PAPER[::-1], dtype=np.uint8)
    canvas[top_px : top_px + frame.rows, left_px : left_px + frame.columns] = flat
    sketch = Sketch.on(canvas)
    _draw_head(sketch, survey, run, size_px)
    _draw_scale(sketch, run, place, size_px)
    _draw_wall(sketch, run, place, bool(left_handed(survey, run.name)), size_px)
    _draw_bolts(sketch, tags, place, size_px)
    legend.draw(sketch, sketch.height_px - legend.height_px - 0.4 * size_px)
    return sketch.pixels


def lettering_px(frame: StripFrame) -> int:
    """The size of the strip's lettering: legible when the whole strip is shown on one screen."""
    return int(np.clip(frame.columns / 105, 24, 60))


def mosaic_top_left_px(frame: StripFrame) -> tuple[int, int]:
    """How far right and down of the strip's corner the bare mosaic's first pixel stands."""
    size_px = lettering_px(frame)
    return size_px, round(7.0 * size_px)


class _Place:
    """From station and setback to pixels of the whole strip."""

    def __init__(self, frame: StripFrame, left_px: int, top_px: int) -> None:
        self.frame = frame
        self.corner_px = np.array([left_px, top_px], dtype=float)

    def __call__(self, points_mm: Array) -> Array:
        """Points (N, 2) of station and setback to pixels (N, 2)."""
        return np.asarray(self.frame.pixel(points_mm) + self.corner_px)

    def x_px(self, station_mm: float) -> float:
        """Across, for a station."""
        return float(self(np.array([[station_mm, 0.0]]))[0, 0])

    @property
    def stations_mm(self) -> tuple[float, float]:
        """The stations at the mosaic's two ends."""
        return self.frame.left_mm, self.frame.left_mm + (self.frame.columns - 1) * self.frame.mm_per_px

    @property
    def top_px(self) -> float:
        """The mosaic's first row."""
        return float(self.corner_px[1])

    @property
    def right_px(self) -> float:
        """The mosaic's last column."""
        return float(self.corner_px[0] + self.frame.columns - 1)

    @property
    def bottom_px(self) -> float:
        """The mosaic's last row."""
        return float(self.corner_px[1] + self.frame.rows - 1)


def _draw_head(sketch: Sketch, survey: Survey, run: RunRecord, size_px: int) -> None:
    title = sketch.words(
        [f"{survey.name}: run {run.name}, seen from above"], (size_px, 0.5 * size_px), size_px, bold=True
    )
    facts = "   ".join(run_facts(survey, run))
    sketch.words([facts], (size_px, title[3] + 0.1 * size_px), round(_SMALL * size_px), FAINT)


def _draw_scale(sketch: Sketch, run: RunRecord, place: _Place, size_px: int) -> None:
    """Feet numbered from the zero mark, a tick an inch, and a thin line across the wall at each foot."""
    low_mm, high_mm = place.stations_mm
    base_px = place.top_px - 0.25 * size_px
    stroke = max(size_px // 22, 1)
    sketch.path(np.array([[place.x_px(low_mm), base_px], [place.x_px(high_mm), base_px]]), INK, stroke)
    for inch in range(math.ceil(low_mm / MM_PER_INCH), math.floor(high_mm / MM_PER_INCH) + 1):
        x_px = place.x_px(inch * MM_PER_INCH)
        tall = 1.0 if inch % 12 == 0 else 0.6 if inch % 6 == 0 else 0.32
        sketch.path(np.array([[x_px, base_px - tall * size_px], [x_px, base_px]]), INK, stroke)
        if inch % 12 == 0:
            _name_foot(sketch, run, inch // 12, x_px, base_px - 2.3 * size_px, size_px)
            sketch.path(np.array([[x_px, place.top_px], [x_px, place.bottom_px]]), INK, 1)


def _name_foot(sketch: Sketch, run: RunRecord, foot: int, x_px: float, top_px: float, size_px: int) -> None:
    words = f"{foot}'" if foot >= 0 else f"back {-foot}'"
    half_px = words_box([words], (0.0, 0.0), size_px, bold=True)[2] / 2
    sketch.words([words], (x_px - half_px, top_px), size_px, bold=True)
    if foot == 0:
        note = [f"zero mark of card {zero_card(run)}"]
        sketch.words(note, (x_px - half_px, top_px - 0.95 * size_px), round(_SMALL * size_px), CARD)


def _draw_wall(sketch: Sketch, run: RunRecord, place: _Place, handed: bool, size_px: int) -> None:
    low_mm, high_mm = place.stations_mm
    stroke = max(size_px // 12, 2)

    def along(start_mm: float, stop_mm: float) -> Array:
        return place(np.array([[low_mm, start_mm], [high_mm, stop_mm]]))

    for edge in run.edges:
        ends = [edge.setback_at_zero_mm + edge.slope * x_mm for x_mm in (low_mm, high_mm)]
        sketch.path(along(*ends), INK, stroke, halo_px=1)
    sketch.path(along(run.plate_width_mm, run.plate_width_mm), PLATE, stroke, halo_px=1, dash_px=0.8 * size_px)
    sketch.line_marks([along(beside_mm, beside_mm) for beside_mm in (-LINE_BESIDE_MM, LINE_BESIDE_MM)], size_px)
    for card in run.cards:
        outline_px = place(card_outline_mm(card, handed))
        sketch.path(outline_px, CARD, stroke, closed=True, halo_px=1)
        zero_px = place(np.array([[card.station_mm, card.setback_mm]]))[0]
        sketch.circle(zero_px, 0.28 * size_px, CARD, stroke, halo_px=1)
        words = [f"card {card.number}"]
        box = tag_box(words, (0.0, 0.0), round(0.75 * size_px))
        middle_px = outline_px.mean(axis=0)
        sketch.tag(words, (middle_px[0] - box[2] / 2, middle_px[1] - box[3] / 2), round(0.75 * size_px), CARD)


@dataclass(frozen=True)
class _Tag:
    """Words under the mosaic for one bolt, and on which level they stand."""

    bolt: BoltRecord
    base_px: Array
    lines: tuple[str, ...]
    color: Color
    left_px: float
    level: int


def _tags(run: RunRecord, place: _Place, size_px: int) -> list[_Tag]:
    """A tag for each bolt with a place, on the first level where it clears the tag before it."""
    tags: list[_Tag] = []
    filled = [-np.inf] * _TAG_LEVELS
    widest_px = place.right_px
    for bolt in sorted(run.bolts, key=lambda b: b.station_mm or 0.0):
        base_mm = bolt_base_mm(bolt)
        if base_mm is None:
            continue
        status = shown_status(run, bolt)
        base_px = place(base_mm[None, :2])[0]
        lines = (*bolt_tag(run, bolt), *straightening_tag(bolt))
        width_px = tag_box(lines, (0.0, 0.0), size_px)[2]
        low_px = float(place.corner_px[0])
        left_px = float(np.clip(base_px[0] - width_px / 2, low_px, max(widest_px - width_px, low_px)))
        level = next((n for n in range(_TAG_LEVELS) if filled[n] < left_px), int(np.argmin(filled)))
        filled[level] = left_px + width_px + 0.3 * size_px
        color = BOLT if status == "ok" else STATUS_COLORS[status]
        tags.append(_Tag(bolt, base_px, lines, color, left_px, level))
    return tags


def _draw_bolts(sketch: Sketch, tags: list[_Tag], place: _Place, size_px: int) -> None:
    """Bolts on the mosaic, and under it a tag for each with a leader."""
    for tag in sorted(tags, key=lambda tag: -tag.level):
        top_px = place.bottom_px + 0.6 * size_px + tag.level * _TAG_STEP * size_px
        filled = _draw_bolt(sketch, tag, place, size_px)
        start_px = np.array([tag.base_px[0], filled[3]])
        sketch.path(np.array([start_px, [tag.base_px[0], top_px]]), tag.color, max(size_px // 18, 1), halo_px=1)
        sketch.tag(tag.lines, (tag.left_px, top_px), size_px, tag.color)


def _draw_bolt(sketch: Sketch, tag: _Tag, place: _Place, size_px: int) -> Box:
    """Marks round the base of one bolt, and its arrow; returns the box of the marks."""
    radius_px = 0.5 * tag.bolt.diameter_mm / place.frame.mm_per_px
    filled = sketch.bolt_marks(tag.base_px, radius_px, None, round(0.6 * size_px), tag.color)
    move_mm = must_come_mm(tag.bolt)
    base_mm = bolt_base_mm(tag.bolt)
    if move_mm is not None and base_mm is not None:
        way = np.array(move_mm) / np.linalg.norm(move_mm)
        move_px = place((base_mm[:2] + ARROW_MM * way)[None])[0] - tag.base_px
        start_px = tag.base_px + round_px(radius_px) / np.linalg.norm(move_px) * move_px
        sketch.arrow(start_px, start_px + move_px, tag.color, max(size_px // 12, 2), halo_px=2)
    return filled


def _entries(run: RunRecord) -> list[Entry]:
    """What the legend explains: what is drawn."""
    entries = [
        *line_entries(run),
        Entry("stroke", CARD, "card, and a ring on its zero mark"),
        Entry("bolt", BOLT, "ring round a bolt at the concrete, ticks toward its middle"),
    ]
    if any(must_come_mm(bolt) for bolt in run.bolts):
        entries.append(Entry("arrow", BOLT, "the way the tip must come; its length says nothing"))
    statuses = [shown_status(run, bolt) for bolt in run.bolts]
    return entries + [Entry("stroke", STATUS_COLORS[doubt], _DOUBTS[doubt]) for doubt in _DOUBTS if doubt in statuses]


def line_entries(run: RunRecord) -> list[Entry]:
    """What photos and strip say of the lines along a wall."""
    edges = [Entry("stroke", INK, "edge of the wall")] if run.edges else []
    return [
        Entry("line", LINE, "the line as measured: the chalk lies midway between the two strokes"),
        Entry("dashes", PLATE, f"far edge of the {format_inches(run.plate_width_mm)} plate"),
        *edges,
    ]
