"""The pieces of a job and their holes as two CSV tables, for a spreadsheet or another program.

Lengths stand in millimetres to the hundredth and as feet and inches to the job's marks.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from sillwright.lengths import format_feet_inches
from sillwright.plates.piece import Hole, PlatePiece
from sillwright.tell.csv_cells import csv_table, csv_words
from sillwright.tell.plate_view import end_words, hole_doubts, in_order
from sillwright.tell.plate_words import drill_inches

PIECE_COLUMNS = (
    "run", "layer", "piece", "low_station_mm", "low_station_ft_in", "high_station_mm", "high_station_ft_in",
    "chalk_line_edge_mm", "chalk_line_edge_ft_in", "far_edge_mm", "far_edge_ft_in", "longest_mm", "longest_ft_in",
    "width_mm", "width_ft_in", "thickness_mm", "thickness_ft_in", "low_cut_off_square_deg", "low_cut",
    "high_cut_off_square_deg", "high_cut", "holes",
)  # fmt: skip
HOLE_COLUMNS = (
    "run", "layer", "piece", "mark", "from_low_end_mm", "from_low_end_ft_in", "from_chalk_line_edge_mm",
    "from_chalk_line_edge_ft_in", "drill_mm", "drill_ft_in", "u95_along_mm", "u95_across_mm", "check",
)  # fmt: skip


def pieces_csv(pieces: Sequence[PlatePiece], parts: int = 16) -> bytes:
    """One line a piece, in the order of runs, layers and stations, with its lengths, cuts and number of holes.

    parts : into how many an inch is marked
    """
    return csv_table(PIECE_COLUMNS, (_piece_cells(piece, parts) for piece in _by_run(pieces)))


def holes_csv(pieces: Sequence[PlatePiece], bolts_mm: Mapping[str, float], parts: int = 16) -> bytes:
    """One line a hole, from the low end of its piece; ``check`` says why to tape it first and is empty where nothing
    speaks against it.

    A drill that is no size of the inch rule has its millimetres only.

    bolts_mm : nominal bolt diameter by mark
    parts : into how many an inch is marked
    """
    return csv_table(
        HOLE_COLUMNS,
        (_hole_cells(piece, hole, bolts_mm, parts) for piece in _by_run(pieces) for hole in piece.holes),
    )


def _by_run(pieces: Sequence[PlatePiece]) -> list[PlatePiece]:
    runs = dict.fromkeys(piece.run for piece in pieces)
    return [piece for run in runs for piece in in_order(pieces) if piece.run == run]


def _piece_cells(piece: PlatePiece, parts: int) -> list[str]:
    lengths_mm = (
        piece.low_mm, piece.high_mm, piece.line_edge_mm, piece.far_edge_mm, piece.longest_mm, piece.width_mm,
        piece.thickness_mm,
    )  # fmt: skip
    cells = [csv_words(piece.run), str(piece.layer), csv_words(piece.name)]
    cells += [cell for length_mm in lengths_mm for cell in _length(length_mm, parts)]
    cells += [
        _number(piece.low_cut_deg),
        end_words(piece, "low"),
        _number(piece.high_cut_deg),
        end_words(piece, "high"),
    ]
    return [*cells, str(len(piece.holes))]


def _hole_cells(piece: PlatePiece, hole: Hole, bolts_mm: Mapping[str, float], parts: int) -> list[str]:
    cells = [csv_words(piece.run), str(piece.layer), csv_words(piece.name), csv_words(hole.mark)]
    for length_mm in (hole.from_low_end_mm, hole.from_line_mm):
        cells += _length(length_mm, parts)
    cells += [_number(hole.drill_mm), drill_inches(hole.drill_mm) or ""]
    cells += ["" if u95_mm is None else _number(u95_mm) for u95_mm in (hole.u95_along_mm, hole.u95_across_mm)]
    return [*cells, " ".join(csv_words(doubt) for doubt in hole_doubts(piece, hole, bolts_mm))]


def _length(mm: float, parts: int) -> tuple[str, str]:
    return _number(mm), format_feet_inches(mm, parts)


def _number(value: float) -> str:
    """To the hundredth, and never minus nothing."""
    return f"{round(value, 2) + 0.0:.2f}"
