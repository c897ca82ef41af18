"""Bolts and runs made up for tests of the rules: in inches where the published tables are."""

from __future__ import annotations

from collections.abc import Sequence

from sillwright.judge.steps import Piece
from sillwright.survey import BoltRecord, BoltU95, EdgeRecord, RunRecord, Status

INCH = 25.4
CENTRED_MM = 69.85  # the middle of a 2x6


def a_bolt(
    mark: str = "N1",
    station_mm: float | None = 400.0,
    setback_mm: float | None = CENTRED_MM,
    u95_mm: float | None = 0.0,
    diameter_mm: float = 12.7,
    lean_mm: tuple[float, float] = (0.0, 0.0),
    status: Status = "ok",
) -> BoltRecord:
    """A bolt whose numbers are all as sure as ``u95_mm``."""
    return BoltRecord(
        mark=mark,
        station_mm=station_mm,
        setback_mm=setback_mm,
        lean_along_mm=lean_mm[0],
        lean_across_mm=lean_mm[1],
        lean_deg=0.0,
        stickup_mm=82.0,
        stickup_from="photos",
        diameter_mm=diameter_mm,
        u95=BoltU95(u95_mm, u95_mm, u95_mm, u95_mm, u95_mm, u95_mm),
        photos=("a.jpg",),
        status=status,
    )


def a_run(bolts: Sequence[BoltRecord], edges: Sequence[EdgeRecord] = (), width_mm: float = 139.7) -> RunRecord:
    return RunRecord("north", "ok", (), tuple(bolts), (), plate_width_mm=width_mm, edges=tuple(edges))


def bolts_at_in(*stations_in: float, u95_mm: float = 0.0, diameter_mm: float = 12.7) -> tuple[BoltRecord, ...]:
    """Bolts N1, N2 ... on the middle of a 2x6 at these stations."""
    return tuple(
        a_bolt(f"N{count}", at * INCH, u95_mm=u95_mm, diameter_mm=diameter_mm)
        for count, at in enumerate(stations_in, start=1)
    )


def piece_in(low_in: float, high_in: float, short_wall: bool = False) -> Piece:
    return Piece("P1", low_in * INCH, high_in * INCH, short_wall=short_wall)
