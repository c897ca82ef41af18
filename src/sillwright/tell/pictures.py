"""A photo turned for viewing, with what was measured drawn where the record says it lies."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from sillwright.camera import Array, Camera, Pose, project
from sillwright.photo import fitted, turn_for_viewing, view_from_stored
from sillwright.survey import BoltRecord, PhotoRecord, RunRecord, Survey
from sillwright.tell.frames import (
    bolt_base_mm,
    bolt_tip_mm,
    camera_of,
    card_outline_mm,
    pose_of,
    reach_mm,
)
from sillwright.tell.reasons import explain
from sillwright.tell.rows import bolt_tag, must_come_mm, shown_status, straightening_tag
from sillwright.tell.sketch import (
    BOLT,
    CARD,
    INK,
    LINE_BESIDE_MM,
    PAPER,
    PLATE,
    STATUS_COLORS,
    Entry,
    Legend,
    Pixels,
    Sketch,
    round_px,
    wrapped,
)
from sillwright.tell.strip_marks import line_entries, run_strip
from sillwright.tell.wording import photo_line

__all__ = ["annotated_photo", "run_strip"]

LONGEST_SIDE_PX = 2000
_BEYOND_MM = 1000.0  # a line is drawn this far past the last card or bolt, where the photo still shows it
_PAST_CORNER_MM = 60.0
_STEP_MM = 10.0
_ARROW = 2.2  # heights of the lettering


@dataclass(frozen=True)
class Screen:
    """From the run frame of one photo to the picture turned for viewing and made smaller."""

    camera: Camera
    pose: Pose
    orientation: int
    scale: float

    @property
    def left_handed(self) -> bool:
        """Whether the run frame is."""
        return bool(np.linalg.det(self.pose.rotation) < 0.0)

    def __call__(self, points_mm: Array) -> Array:
        """Points (N, 3) with X as station to pixels (N, 2) of the drawn picture; NaN where the lens cannot see."""
        stored_px = np.asarray(project(self.camera, self.pose, points_mm), dtype=np.float64)
        turned_px = view_from_stored(stored_px, self.orientation, self.camera.width_px, self.camera.height_px)
        return np.asarray((turned_px + 0.5) * self.scale - 0.5)


def annotated_photo(survey: Survey, photo: PhotoRecord, pixels: Pixels) -> Pixels:
    """The photo turned for viewing, at most 2000 px on its long side, with a strip of words under it.

    ``pixels`` is the stored picture, shape (H, W, 3), BGR. Drawn: cards with their numbers, the chalk line, the plate,
    the wall's edges, an outline round each bolt with ticks in line with its base, and for a bolt that is to be
    straightened the way its tip must come.
    """
    small, scale = viewed(photo, pixels)
    sketch = Sketch.on(small)
    entries: list[Entry] = []
    screens = screens_of(photo, pixels, scale)
    runs = [(run, screens[run.name]) for run in survey.runs if run.name in screens]
    for run, screen in runs:
        _draw_wall(sketch, survey, run, screen)
        entries += [*line_entries(run), Entry("stroke", CARD, "card")]
    for run, screen in runs:
        entries += _draw_bolts(sketch, photo, run, screen)
    for run, screen in runs:
        _name_wall(sketch, run, screen)
    return np.concatenate([sketch.pixels, _words_under(photo, list(dict.fromkeys(entries)), sketch.width_px)])


def viewed(photo: PhotoRecord, pixels: Pixels) -> tuple[Pixels, float]:
    """A stored picture made smaller and turned for viewing, to be drawn on, and by how much it was made smaller."""
    scale = min(1.0, LONGEST_SIDE_PX / max(pixels.shape[:2]))
    return turn_for_viewing(fitted(pixels, LONGEST_SIDE_PX), photo.orientation).copy(), scale


def screens_of(photo: PhotoRecord, pixels: Pixels, scale: float) -> dict[str, Screen]:
    """For each run the photo is placed on, the way from there to the picture of :func:`viewed`."""
    if photo.camera is None:
        return {}
    stored = camera_of(photo.camera).scaled(pixels.shape[1], pixels.shape[0])
    return {view.run: Screen(stored, pose_of(view), photo.orientation, scale) for view in photo.views}


def _size_px(sketch: Sketch) -> int:
    """The lettering's size for a picture."""
    return max(round(max(sketch.width_px, sketch.height_px) / 74), 12)


def _draw_wall(sketch: Sketch, survey: Survey, run: RunRecord, screen: Screen) -> None:
    low_mm, high_mm = _drawn_mm(survey, run, screen)
    x_mm = np.arange(low_mm, high_mm, _STEP_MM)
    stroke = max(_size_px(sketch) // 9, 2)

    def along(setback_mm: Array | float) -> Array:
        return screen(np.column_stack([x_mm, np.broadcast_to(setback_mm, x_mm.shape), np.zeros_like(x_mm)]))

    for edge in run.edges:
        sketch.path(along(edge.setback_at_zero_mm + edge.slope * x_mm), INK, stroke, halo_px=1)
    sketch.path(along(run.plate_width_mm), PLATE, stroke, halo_px=1, dash_px=9.0 * stroke)
    sketch.line_marks([along(-LINE_BESIDE_MM), along(LINE_BESIDE_MM)], _size_px(sketch))
    for card in run.cards:
        outline_px = screen(_on_concrete(card_outline_mm(card, screen.left_handed)))
        if _inside(sketch, outline_px).any():
            sketch.path(outline_px, CARD, stroke, closed=True, halo_px=1)
            sketch.taken += _boxes_over(outline_px)


def _drawn_mm(survey: Survey, run: RunRecord, screen: Screen) -> tuple[float, float]:
    """From which station to which a run's lines are drawn: past its ends, but hardly past a corner."""
    low_mm, high_mm = reach_mm(run, screen.left_handed)
    start_mm, stop_mm = low_mm - _BEYOND_MM, high_mm + _BEYOND_MM
    for corner in survey.corners:
        at_mm = corner.station_mm.get(run.name)
        if at_mm is None:
            continue
        if at_mm > high_mm:
            stop_mm = min(stop_mm, at_mm + _PAST_CORNER_MM)
        elif at_mm < low_mm:
            start_mm = max(start_mm, at_mm - _PAST_CORNER_MM)
    return start_mm, stop_mm


def _name_wall(sketch: Sketch, run: RunRecord, screen: Screen) -> None:
    """Tags for the cards and the line, last, where the bolts' tags leave room."""
    for card in run.cards:
        outline_px = screen(_on_concrete(card_outline_mm(card, screen.left_handed)))
        _name_in_view(sketch, [f"card {card.number}"], outline_px, CARD)
    low_mm, high_mm = reach_mm(run, screen.left_handed)
    x_mm = np.linspace(low_mm, high_mm, 41)
    _name_in_view(sketch, [f"line of {run.name}"], screen(_on_concrete(np.column_stack([x_mm, 0.0 * x_mm]))), INK)


def _on_concrete(points_mm: Array) -> Array:
    """Points (N, 2) of the run frame at Z = 0, (N, 3)."""
    return np.column_stack([points_mm, np.zeros(len(points_mm))])


def _name_in_view(sketch: Sketch, lines: Sequence[str], points_px: Array, color: tuple[int, int, int]) -> None:
    """A tag beside that point, of those well inside the picture, which lies farthest from what is drawn already."""
    visible = points_px[_inside(sketch, points_px, 3.0 * _size_px(sketch))]
    if len(visible):
        size_px = round(0.85 * _size_px(sketch))
        roomiest_px = visible[np.argmax(sketch.room_px(visible))]
        sketch.tag_near(lines, roomiest_px, 0.8 * size_px, size_px, color, _page(sketch))


def _boxes_over(outline_px: Array) -> list[tuple[float, float, float, float]]:
    """Boxes along the middle of a card, (4, 2), that words should keep off."""
    start, stop = outline_px[[0, 3]].mean(axis=0), outline_px[[1, 2]].mean(axis=0)
    half_px = 0.42 * float(np.linalg.norm(outline_px[3] - outline_px[0]))
    centres = [start + share * (stop - start) for share in (0.15, 0.38, 0.62, 0.85)]
    return [_around(centre[None], half_px) for centre in centres if np.all(np.isfinite(centre))]


def _inside(sketch: Sketch, points_px: Array, margin_px: float = 0.0) -> Array:
    """Which points, (N, 2), lie in the picture; shape (N,), of booleans."""
    with np.errstate(invalid="ignore"):
        low = np.all(points_px >= margin_px, axis=1)
        high = np.all(points_px <= np.array([sketch.width_px, sketch.height_px]) - 1 - margin_px, axis=1)
    return np.asarray(low & high)


def _page(sketch: Sketch) -> tuple[float, float, float, float]:
    return (4.0, 4.0, sketch.width_px - 5.0, sketch.height_px - 5.0)


def _draw_bolts(sketch: Sketch, photo: PhotoRecord, run: RunRecord, screen: Screen) -> list[Entry]:
    """The bolts measured in this photo: all strokes first, so that no tag hides another bolt; returns the legend."""
    tagged: list[tuple[BoltRecord, Array]] = []
    size_px = _size_px(sketch)
    for bolt in run.bolts:
        base_mm = bolt_base_mm(bolt)
        if photo.file not in bolt.photos or base_mm is None:
            continue
        base_px = screen(base_mm[None])[0]
        if not _inside(sketch, base_px[None])[0]:
            continue
        _mark_bolt(sketch, bolt, base_mm, screen)
        tagged.append((bolt, base_px))
    for bolt, base_px in tagged:
        status = shown_status(run, bolt)
        color = BOLT if status == "ok" else STATUS_COLORS[status]
        words = [*bolt_tag(run, bolt), *(straightening_tag(bolt) if must_come_mm(bolt) else ())]
        sketch.tag_near(words, base_px, 2.2 * size_px, size_px, color, _page(sketch))
    entries = [Entry("bolt", BOLT, "outline round a bolt, ticks in line with its base")] if tagged else []
    if any(must_come_mm(bolt) and bolt_tip_mm(bolt) is not None for bolt, _ in tagged):
        entries.append(Entry("arrow", BOLT, "the way the tip must come; its length says nothing"))
    return entries


def _mark_bolt(sketch: Sketch, bolt: BoltRecord, base_mm: Array, screen: Screen) -> None:
    """The marks round one bolt, and its arrow where it is to be straightened."""
    size_px = _size_px(sketch)
    tip_mm = bolt_tip_mm(bolt)
    base_px, base_radius_px = _disc_px(base_mm, bolt.diameter_mm, screen)
    if tip_mm is None:
        sketch.taken.append(sketch.bolt_marks(base_px, base_radius_px, None, size_px))
        return
    tip_px, tip_radius_px = _disc_px(tip_mm, bolt.diameter_mm, screen)
    sketch.taken.append(sketch.bolt_marks(base_px, base_radius_px, (tip_px, tip_radius_px), size_px))
    move_mm = must_come_mm(bolt)
    if move_mm is not None:
        way_px = screen((tip_mm + np.array([*move_mm, 0.0]))[None])[0] - tip_px
        way = way_px / np.linalg.norm(way_px)
        near, far = round_px(tip_radius_px) + 3.0, round_px(tip_radius_px) + 3.0 + _ARROW * size_px
        # Toward the tip from outside where the bolt stands on the far side of it, else away from it: never over it.
        ends = (-far, -near) if way @ (base_px - tip_px) > 0.0 else (near, far)
        arrow_px = np.array([tip_px + end * way for end in ends])
        sketch.arrow(arrow_px[0], arrow_px[1], BOLT, max(size_px // 8, 2), halo_px=2)
        sketch.taken.append(_around(arrow_px, 0.3 * size_px))


def _disc_px(middle_mm: Array, diameter_mm: float, screen: Screen) -> tuple[Array, float]:
    """The middle of a level disc in the picture, (2,), and its half width along the run."""
    points_px = screen(middle_mm + np.array([[0.0, 0.0, 0.0], [diameter_mm / 2.0, 0.0, 0.0]]))
    return points_px[0], float(np.linalg.norm(points_px[1] - points_px[0]))


def _around(points_px: Array, by_px: float) -> tuple[float, float, float, float]:
    low, high = np.min(points_px, axis=0) - by_px, np.max(points_px, axis=0) + by_px
    return (float(low[0]), float(low[1]), float(high[0]), float(high[1]))


def _words_under(photo: PhotoRecord, entries: Sequence[Entry], width_px: int) -> Pixels:
    """What is said of the photo, and a legend of what is drawn on it."""
    size_px = max(round(width_px / 80), 13)
    margin_px = size_px
    lines = [f"{photo.file}: {photo_line(photo)}"]
    for reason in photo.reasons:
        lines += wrapped(explain(reason, "photo"), size_px, width_px - 2 * margin_px)
    legend = Legend(entries, size_px, width_px)
    words_px = round(1.28 * size_px) * len(lines) + 2 * margin_px
    blank = np.empty((words_px + (round(legend.height_px) + margin_px if entries else 0), width_px, 3), dtype=np.uint8)
    blank[:] = np.array(PAPER[::-1], dtype=np.uint8)
    strip = Sketch.on(blank)
    strip.path(np.array([[0.0, 0.0], [width_px - 1.0, 0.0]]), INK, 2)
    head = strip.words(lines[:1], (margin_px, margin_px), size_px, STATUS_COLORS[photo.status], bold=True)
    strip.words(lines[1:], (margin_px, head[3]), size_px)
    legend.draw(strip, words_px)
    return strip.pixels
