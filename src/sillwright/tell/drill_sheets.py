"""How a full-size drilling strip is cut into sheets, and where words go on it so that they cover nothing.

Lengths are mm. x runs along the piece from its low end, as everywhere; y is as *drawn*, up the page from the chalk-line
edge, so the plate covers 0 to its width, or 0 down to minus its width where the chalk-line edge is the upper one.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Any, Literal

import shapely

from sillwright.errors import JobError
from sillwright.lengths import MM_PER_INCH, format_inches
from sillwright.plates.piece import PlatePiece
from sillwright.tell.cardsheet import PAGE_MARGIN_MM, PAGE_MM, PAPER_NAME, Paper
from sillwright.tell.plate_view import outline_mm

StripPaper = Paper | Literal["roll"]

ROLL_WIDTH_MM = 24.0 * MM_PER_INCH  # common practice, no source: the usual width of a plan printer's roll
# ISO 32000-1 Annex C, table C.1 (from memory): a page is at most 14 400 points, 200 in, on a side.
LONGEST_PAGE_MM = 200.0 * MM_PER_INCH
OVERLAP_MM = 24.0  # half of it is cut off the sheet on top, half is under it: enough to tape
END_ROOM_MM = 20.0  # beyond each end of the piece, for the words that name it
HEAD_MM = 18.0
FAR_BAND_MM = 13.0
LINE_BAND_MM = 11.0
_FURNITURE_MM = HEAD_MM + FAR_BAND_MM + LINE_BAND_MM + 2.0 * PAGE_MARGIN_MM
_KEEP_OFF_MM = 2.0  # words stand this far off the piece's edges, cuts and holes
_TICKS_MM = 8.0  # the foot ticks and their figures along the chalk-line edge
_SIZES = (1.0, 0.85, 0.7, 0.55)


@dataclass(frozen=True)
class StripSheets:
    """Sheets of one size, ``printed_mm`` long within their bare margins, each printed from its own of ``starts_mm``.

    A sheet is cut through the match marks it shares with the one before and laid on that one, so that the halves of
    each cross meet. That is a seam; no hole lies on one.
    """

    page_mm: tuple[float, float]
    starts_mm: tuple[float, ...]
    printed_mm: float
    how: str

    @property
    def count(self) -> int:
        """Sheets in all."""
        return len(self.starts_mm)

    def seam_mm(self, sheet: int) -> float:
        """Where along the piece the next sheet is cut and laid on this one."""
        return self.starts_mm[sheet + 1] + OVERLAP_MM / 2.0

    def own_mm(self, sheet: int) -> tuple[float, float]:
        """From where to where along the piece a sheet shows when all are joined."""
        last = sheet + 1 == self.count
        end_mm = self.starts_mm[sheet] + self.printed_mm if last else self.seam_mm(sheet)
        return self.starts_mm[0] if not sheet else self.seam_mm(sheet - 1), end_mm


def strip_sheets(piece: PlatePiece, paper: StripPaper, roll_width_mm: float = ROLL_WIDTH_MM) -> StripSheets:
    """The sheets a piece's strip takes: on a roll one page where it may be that long, on Letter or A4 whichever way of
    turning the paper takes fewer.

    Raises JobError where the strip is too wide for the paper.
    """
    high_mm = piece.width_mm + _FURNITURE_MM
    if paper == "roll":
        if high_mm > roll_width_mm:
            raise JobError(
                f"the drilling strip of a plate {format_inches(piece.width_mm)} wide needs a roll "
                f"{format_inches(high_mm)} wide, and this one is {format_inches(roll_width_mm)}. Use a wider roll."
            )
        return _on_roll(piece, high_mm)
    long_mm, short_mm = PAGE_MM[paper]
    ways: list[tuple[str, tuple[float, float]]] = [
        ("landscape", (long_mm, short_mm)),
        ("portrait", (short_mm, long_mm)),
    ]
    found = [(way, _tiled(piece, page_mm)) for way, page_mm in ways if high_mm <= page_mm[1]]
    if not found:
        raise JobError(
            f"the drilling strip of a plate {format_inches(piece.width_mm)} wide does not fit on {PAPER_NAME[paper]}. "
            "Print it on a roll: --paper roll."
        )
    way, (page_mm, starts_mm) = min(found, key=lambda pair: len(pair[1][1]))
    how = f"{_sheets(len(starts_mm))} of {PAPER_NAME[paper]}, {way}"
    for other, (_, others_mm) in found:
        if other != way:
            how += f" ({other} would take {len(others_mm)})"
    if len(found) == 1:
        how += f" (too wide for {'landscape' if way == 'portrait' else 'portrait'})"
    return StripSheets(page_mm, starts_mm, page_mm[0] - 2.0 * PAGE_MARGIN_MM, how)


def _sheets(count: int) -> str:
    return "1 sheet" if count == 1 else f"{count} sheets"


def _reach_mm(piece: PlatePiece) -> tuple[float, float]:
    xs = [x for x, _ in outline_mm(piece)]
    return min(xs) - END_ROOM_MM, max(xs) + END_ROOM_MM


def _tiled(piece: PlatePiece, page_mm: tuple[float, float]) -> tuple[tuple[float, float], tuple[float, ...]]:
    return page_mm, _starts_mm(piece, page_mm[0] - 2.0 * PAGE_MARGIN_MM)


def _starts_mm(piece: PlatePiece, printed_mm: float) -> tuple[float, ...]:
    """Where sheets start, each as far on as it may for its seam to keep clear of holes."""
    low_mm, high_mm = _reach_mm(piece)
    starts_mm = [low_mm]
    holes = sorted(((hole.from_low_end_mm, hole.drill_mm / 2.0 + _KEEP_OFF_MM) for hole in piece.holes), reverse=True)
    while starts_mm[-1] + printed_mm < high_mm - 1e-6:
        furthest_mm = seam_mm = starts_mm[-1] + printed_mm - OVERLAP_MM / 2.0
        for at_mm, reach_mm in holes:
            if abs(at_mm - seam_mm) < reach_mm:
                seam_mm = at_mm - reach_mm
        # Where holes stand shoulder to shoulder over half a sheet one is cut after all, and drawn on both.
        clear = seam_mm > starts_mm[-1] + printed_mm / 2.0
        starts_mm.append((seam_mm if clear else furthest_mm) - OVERLAP_MM / 2.0)
    return tuple(starts_mm)


def _on_roll(piece: PlatePiece, high_mm: float) -> StripSheets:
    low_mm, end_mm = _reach_mm(piece)
    length_mm = end_mm - low_mm
    longest_mm = LONGEST_PAGE_MM - 2.0 * PAGE_MARGIN_MM
    count = len(_starts_mm(piece, longest_mm))
    printed_mm = (length_mm + (count - 1) * OVERLAP_MM) / count  # pages of one length
    while len(starts_mm := _starts_mm(piece, printed_mm)) > count:
        printed_mm = min(printed_mm + 5.0, longest_mm)
    how = "1 page for a roll"
    if count > 1:
        how = f"{count} pages for a roll, as no page may be over {LONGEST_PAGE_MM / MM_PER_INCH:.0f} in long"
    return StripSheets((printed_mm + 2.0 * PAGE_MARGIN_MM, high_mm), starts_mm, printed_mm, how)


def place_words(
    piece: PlatePiece,
    up: float,
    own_mm: tuple[float, float],
    sizes_mm: Sequence[tuple[float, float]],
) -> list[tuple[float, float, float]]:
    """Where the words of each hole whose middle lies in ``own_mm`` go: left, top (as drawn) and the share of full size.

    up : 1 where the chalk-line edge is the lower one on the page, -1 where it is the upper one
    sizes_mm : how wide and high the words of each of those holes are at full size, in the order of the piece's holes

    On the wood where there is room, clear of holes, of other words and of the ticks along the chalk-line edge; else on
    any bare paper of the sheet; smaller rather than over anything. Where nothing is clear they go beside the hole.
    """
    wood = shapely.Polygon([(x, up * y) for x, y in outline_mm(piece)])
    low_y, high_y = sorted((0.0, up * piece.width_mm))
    low_tick_y, high_tick_y = sorted((0.0, up * _TICKS_MM))
    off = _KEEP_OFF_MM
    sheet = shapely.box(own_mm[0] + off, low_y + off, own_mm[1] - off, high_y - off)
    ticks = shapely.box(own_mm[0], low_tick_y, own_mm[1], high_tick_y)
    rooms = (wood.buffer(-off).intersection(sheet).difference(ticks), sheet.difference(wood.exterior.buffer(1.0)))
    taken: list[Any] = [
        _round_hole(hole.from_low_end_mm, up * hole.from_line_mm, hole.drill_mm) for hole in piece.holes
    ]
    own = [place for place, hole in enumerate(piece.holes) if own_mm[0] <= hole.from_low_end_mm < own_mm[1]]
    places = []
    for place, (wide_mm, high_mm) in zip(own, sizes_mm, strict=True):
        hole = piece.holes[place]
        centre = (hole.from_low_end_mm, up * hole.from_line_mm)
        reach_mm = cross_mm(hole.drill_mm) + _KEEP_OFF_MM
        found = None
        for size in _SIZES:
            tries = list(_beside(centre, reach_mm, wide_mm * size, high_mm * size))
            found = next(
                (
                    (box.bounds[0], box.bounds[3], size)
                    for room in rooms
                    for box in tries
                    if room.contains(box) and not any(box.intersects(other) for other in taken)
                ),
                None,
            )
            if found:
                break
        left, top, size = found or (centre[0] + reach_mm, centre[1] + high_mm * _SIZES[-1] / 2.0, _SIZES[-1])
        taken.append(shapely.box(left, top - high_mm * size, left + wide_mm * size, top))
        places.append((left, top, size))
    return places


def cross_mm(drill_mm: float) -> float:
    """How far from a hole's middle the arms of its cross reach."""
    return drill_mm / 2.0 + 7.0


def _round_hole(x_mm: float, y_mm: float, drill_mm: float) -> shapely.Polygon:
    reach_mm = cross_mm(drill_mm)
    return shapely.box(x_mm - reach_mm, y_mm - reach_mm, x_mm + reach_mm, y_mm + reach_mm)


def _beside(centre: tuple[float, float], reach_mm: float, wide_mm: float, high_mm: float) -> Iterator[shapely.Polygon]:
    """Boxes round a hole: right, left, then above and below, each slid along in steps."""
    x, y = centre
    slides = [0.0] + [sign * step * 6.0 for step in range(1, 21) for sign in (1.0, -1.0)]
    for slide in slides:
        for left in (x + reach_mm, x - reach_mm - wide_mm):
            low = y - high_mm / 2.0 + slide
            yield shapely.box(left, low, left + wide_mm, low + high_mm)
    for slide in slides:
        for low in (y + reach_mm, y - reach_mm - high_mm):
            left = x - wide_mm / 2.0 + slide
            yield shapely.box(left, low, left + wide_mm, low + high_mm)
