"""Each photo with every place that was considered for a bolt, and in a few words what became of it."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

import cv2
import numpy as np

from sillwright.camera import Array
from sillwright.candidates import HARDLY_SEEN, Candidate, Why
from sillwright.errors import SillwrightError
from sillwright.survey import Finding, PhotoRecord, Survey
from sillwright.tell.pictures import Screen, screens_of, viewed
from sillwright.tell.reason import BESIDE
from sillwright.tell.reasons import title
from sillwright.tell.report import PICTURE_FOLDER, checked_loader, file_names, jpeg
from sillwright.tell.sketch import BOLT, INK, PAPER, STATUS_COLORS, Color, Entry, Legend, Pixels, Sketch, wrapped
from sillwright.whole_file import write_aside

WORDS: dict[Why, str] = {
    "outline": "outline hardly seen",
    "not-tried": "not tried, better places came first",
    "not-whole": "whole in no photo",
    "no-end": "no end seen",
    "no-foot": "no foot seen",
    "few-photos": "too few photos agree",
    "scatter": "edges scatter too wide",
    "ribbed": "ribs of reinforcing bar",
    "in-another": "stands in another bolt",
    "flat": "lies flat, by parallax",
    "off-wall": "off the wall",
    "other-run": "told of on the other run",
    "struck": "struck out by hand",
}
NONE: Color = STATUS_COLORS["reshoot"]
DOUBTED: Color = STATUS_COLORS["check"]
_TURNS = 25


def write_candidates(survey: Survey, considered: Sequence[Candidate], out_dir: Path, photo_root: Path) -> list[Path]:
    """Write pictures/candidates-….jpg for each photo that was placed on a run; a photo that is gone has none."""
    load = checked_loader(survey, photo_root)
    names = file_names([photo.file for photo in survey.photos])
    written = []
    for photo in survey.photos:
        if photo.camera is None:
            continue
        try:
            pixels = load(photo.file)
        except SillwrightError:
            continue
        path = out_dir / PICTURE_FOLDER / f"candidates-{names[photo.file]}.jpg"
        write_aside(path, jpeg(candidate_picture(photo, considered, pixels), 88))
        written.append(path)
    return written


def candidate_picture(photo: PhotoRecord, considered: Sequence[Candidate], pixels: Pixels) -> Pixels:
    """The photo turned for viewing, at most 2000 px on its long side, with the places it shows and a legend under it.

    ``pixels`` is the stored picture, shape (H, W, 3), BGR.
    """
    small, scale = viewed(photo, pixels)
    sketch = Sketch.on(small)
    size_px = max(round(max(sketch.width_px, sketch.height_px) / 90), 11)
    screens = screens_of(photo, pixels, scale)
    shown = [one for one in considered if photo.file in one.photos and one.run in screens]
    tagged: list[tuple[Candidate, Array]] = []
    for one in sorted(shown, key=lambda one: one.why not in HARDLY_SEEN):
        outline_px = _outline_px(one, screens[one.run])
        sketch.path(outline_px, _color(one), 1 if one.why in HARDLY_SEEN else 2, closed=True, halo_px=1)
        if one.why not in HARDLY_SEEN:
            low, high = outline_px.min(axis=0), outline_px.max(axis=0)
            sketch.taken.append((float(low[0]), float(low[1]), float(high[0]), float(high[1])))
            tagged.append((one, outline_px))
    page = (4.0, 4.0, sketch.width_px - 5.0, sketch.height_px - 5.0)
    for one, outline_px in tagged:
        gap_px = 0.5 * float(np.ptp(outline_px, axis=0).max()) + size_px
        sketch.tag_near([_words(one)], outline_px.mean(axis=0), gap_px, size_px, _color(one), page)
    return np.concatenate([sketch.pixels, _words_under(photo, shown, sketch.width_px)])


def _color(one: Candidate) -> Color:
    if one.why is None:
        return DOUBTED if set(one.doubts) - set(BESIDE) else BOLT
    return INK if one.why in HARDLY_SEEN else NONE


def _words(one: Candidate) -> str:
    if one.why is not None:
        return WORDS[one.why]
    doubts = [title(Finding(code), "bolt").lower() for code in one.doubts]
    return f"{one.mark}: " + (", ".join(doubts) if doubts else "kept")


def _outline_px(one: Candidate, screen: Screen) -> Array:
    """A little outside the bolt's two ends, and round both, (N, 2)."""
    turn = np.linspace(0.0, 2.0 * np.pi, _TURNS)
    ring = 1.25 * one.radius_mm * np.column_stack([np.cos(turn), np.sin(turn), 0.0 * turn])
    ends_px = screen(np.concatenate([np.array(one.base_mm) + ring, np.array(one.tip_mm) + ring]))
    return np.asarray(cv2.convexHull(ends_px.astype(np.float32)).reshape(-1, 2), dtype=float)


def _words_under(photo: PhotoRecord, shown: Sequence[Candidate], width_px: int) -> Pixels:
    """How many places there are, and a legend."""
    size_px = max(round(width_px / 90), 12)
    kinds = {
        BOLT: "kept as a bolt, no doubt of its shape",
        DOUBTED: "kept as a bolt, with a doubt of its shape",
        NONE: "none, for the reason beside it",
        INK: "none: a first look showed hardly any outline there, or better places came first",
    }
    drawn = {_color(one) for one in shown}
    legend = Legend(
        [Entry("stroke", color, words) for color, words in kinds.items() if color in drawn], size_px, width_px
    )
    kept = sum(one.why is None for one in shown)
    text = f"{photo.file}: places considered for a bolt: {len(shown)}, kept: {kept}. Outlines run from foot to end."
    lines = wrapped(text, size_px, width_px - 2 * size_px)
    words_px = round(1.28 * size_px) * len(lines) + 2 * size_px
    strip = Sketch.on(np.full((words_px + round(legend.height_px) + size_px, width_px, 3), PAPER[::-1], dtype=np.uint8))
    strip.path(np.array([[0.0, 0.0], [width_px - 1.0, 0.0]]), INK, 2)
    strip.words(lines, (size_px, size_px), size_px)
    legend.draw(strip, words_px)
    return strip.pixels
