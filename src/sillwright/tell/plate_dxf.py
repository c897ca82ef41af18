"""All pieces of a job as one DXF drawing in millimetres, for a shop that drills from a file.

Format: DXF R2010 (AC1024), ASCII, written by the ezdxf library. Seen from above, stations rising to the right. Each run
is one block of drawing, runs below one another; each layer of a run is a row, the second above the first, and X is
station along its run, so that holes of two layers that share a bolt stand over each other. Everything is in model
space as plain lines, circles and words, as many machines read nothing else.
"""

from __future__ import annotations

import io
from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager
from typing import TYPE_CHECKING

from ezdxf import options, units, zoom  # type: ignore[attr-defined]  # options is public, but not re-exported
from ezdxf.enums import TextEntityAlignment
from ezdxf.filemanagement import new

from sillwright.lengths import format_feet_inches
from sillwright.plates.piece import Hole, PlatePiece
from sillwright.tell.plate_view import LOW_END, both_units, end_words, hole_doubts, in_order, outline_mm, side_words
from sillwright.tell.wording import ADVISES

if TYPE_CHECKING:
    from ezdxf.layouts.layout import Modelspace

# name: color by the format's own numbers; 7 is black on white and white on black
LAYERS = {"PLATE_OUTLINE": 7, "HOLES": 1, "HOLE_CENTERS": 2, "TEXT": 3, "CHALK_LINE": 5, "CHECK": 6}
ROW_GAP_MM = 200.0  # bare height between two rows of one run, for words
RUN_GAP_MM = 500.0
_CENTER_MM = 5.0  # arms of a center mark beyond the hole
_TITLE_MM, _NAME_MM, _HOLE_MM = 30.0, 22.0, 12.0
_LINE = 1.5  # from one line of words to the next, in their height


def row_heights_mm(pieces: Sequence[PlatePiece]) -> dict[tuple[str, int], float]:
    """Where the chalk-line edge of each (run, layer) lies in Y. The first run's first layer is at 0, so that Y is
    setback there (less than 0 in a left-handed run)."""
    rows: dict[tuple[str, int], float] = {}
    base_mm = 0.0
    for run in dict.fromkeys(piece.run for piece in pieces):
        own = [piece for piece in pieces if piece.run == run]
        pitch_mm = max(piece.width_mm for piece in own) + ROW_GAP_MM
        layers = sorted({piece.layer for piece in own})
        if rows:
            base_mm -= pitch_mm * len(layers) + RUN_GAP_MM
        rows |= {(run, layer): base_mm + place * pitch_mm for place, layer in enumerate(layers)}
    return rows


def plates_dxf(
    pieces: Sequence[PlatePiece],
    *,
    bolts_mm: Mapping[str, float],
    left_handed: Mapping[str, bool | None],
    parts: int = 16,
) -> bytes:
    """The drawing as a file's bytes, the same each time.

    bolts_mm : nominal bolt diameter by mark; a hole in doubt has why on the layer CHECK
    left_handed : by run, as ``survey.left_handed`` tells; a run that is missing counts as not known
    parts : into how many an inch is marked
    """
    with _same_each_time():
        document = new("R2010", units=units.MM)
        for name, color in LAYERS.items():
            document.layers.add(name, color=color)
        space = document.modelspace()
        rows = row_heights_mm(pieces)
        for (run, layer), base_mm in rows.items():
            known = left_handed.get(run)
            own = [piece for piece in in_order(pieces) if (piece.run, piece.layer) == (run, layer)]
            _Row(space, base_mm, -1.0 if known else 1.0, parts).draw(own, bolts_mm, side_words(known))
        if rows:
            zoom.extents(space)
        stream = io.StringIO()
        document.write(stream)
    return stream.getvalue().encode("utf-8", errors="dxfreplace")


@contextmanager
def _same_each_time() -> Iterator[None]:
    """Have the library write neither the hour nor new identifiers: the same pieces are to give the same file."""
    before = options.write_fixed_meta_data_for_testing
    options.write_fixed_meta_data_for_testing = True
    try:
        yield
    finally:
        options.write_fixed_meta_data_for_testing = before


class _Row:
    """One layer of one run; ``up`` is -1 where its plates lie under the chalk line on the drawing."""

    def __init__(self, space: Modelspace, base_mm: float, up: float, parts: int) -> None:
        self.space, self.base_mm, self.up, self.parts = space, base_mm, up, parts

    def draw(self, pieces: Sequence[PlatePiece], bolts_mm: Mapping[str, float], side: str) -> None:
        """Pieces of the row with their holes, the chalk line under them, and what the row is."""
        corners = [piece.low_mm + x for piece in pieces for x, _ in outline_mm(piece)]
        low_mm, high_mm = min(piece.low_mm for piece in pieces), max(piece.high_mm for piece in pieces)
        begin, end = (low_mm, self.base_mm), (high_mm, self.base_mm)
        self.space.add_line(begin, end, dxfattribs={"layer": "CHALK_LINE"})
        top_mm = self.base_mm + max(0.0, self.up * max(piece.width_mm for piece in pieces))
        title = f"Run {pieces[0].run}, layer {pieces[0].layer}"
        self._words(title, (min(corners), top_mm + 105.0), _TITLE_MM)
        note = f"Millimetres; X is station. {side} {LOW_END} {ADVISES}"
        self._words(note, (min(corners), top_mm + 80.0), _HOLE_MM)
        for piece in pieces:
            self._piece(piece, top_mm)
            for hole in piece.holes:
                self._hole(piece, hole, hole_doubts(piece, hole, bolts_mm))

    def _piece(self, piece: PlatePiece, top_mm: float) -> None:
        points = [(piece.low_mm + x, self.base_mm + self.up * y) for x, y in outline_mm(piece)]
        self.space.add_lwpolyline(points, close=True, dxfattribs={"layer": "PLATE_OUTLINE"})
        low, high = end_words(piece, "low"), end_words(piece, "high")
        words = f"{piece.name}: {both_units(piece.line_edge_mm, self.parts)} along the chalk-line edge"
        self._words(words, (piece.low_mm, top_mm + 45.0), _NAME_MM)
        self._words(f"low end cut {low}; high end cut {high}", (piece.low_mm, top_mm + 20.0), _HOLE_MM)

    def _hole(self, piece: PlatePiece, hole: Hole, doubts: Sequence[str]) -> None:
        x_mm, y_mm = piece.low_mm + hole.from_low_end_mm, self.base_mm + self.up * hole.from_line_mm
        self.space.add_circle((x_mm, y_mm), hole.drill_mm / 2.0, dxfattribs={"layer": "HOLES"})
        arm_mm = hole.drill_mm / 2.0 + _CENTER_MM
        for dx, dy in ((arm_mm, 0.0), (0.0, arm_mm)):
            begin, end = (x_mm - dx, y_mm - dy), (x_mm + dx, y_mm + dy)
            self.space.add_line(begin, end, dxfattribs={"layer": "HOLE_CENTERS"})
        lines = (
            (hole.mark, "TEXT"),
            (f"{format_feet_inches(hole.from_low_end_mm, self.parts)} from the low end", "TEXT"),
            (f"{format_feet_inches(hole.from_line_mm, self.parts)} from the chalk-line edge", "TEXT"),
            *((f"CHECK {doubt}", "CHECK") for doubt in doubts),
        )
        for place, (words, layer) in enumerate(lines):
            at_mm = (x_mm + arm_mm + 4.0, y_mm + (0.9 - place) * _LINE * _HOLE_MM)
            self._words(words, at_mm, _HOLE_MM, layer)

    def _words(self, words: str, at_mm: tuple[float, float], high_mm: float, layer: str = "TEXT") -> None:
        text = self.space.add_text(_plain(words), height=high_mm, dxfattribs={"layer": layer})
        text.set_placement(at_mm, align=TextEntityAlignment.LEFT)


def _plain(words: str) -> str:
    """Words in which the format reads no code: ``%%d`` is a degree sign to it, and a line break ends the word."""
    spaced = " ".join(words.split()).replace("%%", "% %")
    return "".join(letter if letter.isprintable() else "?" for letter in spaced)
