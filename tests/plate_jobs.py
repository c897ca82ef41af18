"""Records and job files made up for tests of the plan: two runs that meet at a corner, with whatever is asked for.

The plane: the corner's crossing at the origin; from it "north" leaves along (1, 0) and "east" at the corner's angle to
its left. North's stations fall away from the crossing and east's rise. ``side`` is +1 where both lines are the outside
of the building, whose corner fills the angle, and -1 where they are its inside, with the plates beyond the angle.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np

from judge_runs import a_bolt
from sillwright.job_file import check_document
from sillwright.judge.rules import rule_set
from sillwright.plates.findings import PlanFinding
from sillwright.plates.inputs import PlanInputs
from sillwright.plates.levels import LevelPoint
from sillwright.plates.record import BoltPlan, PlatesPlan
from sillwright.survey import BoltRecord, CardRecord, CornerRecord, PhotoRecord, RunRecord, Survey, ViewRecord

WIDE_MM = 139.7
THICK_MM = 38.1
MARK_MM = 25.4 / 16.0
FOOT_MM = 304.8
NORTH_CROSSING_MM, EAST_CROSSING_MM = 5200.4, -249.7
NORTH_BEGINS_MM, EAST_ENDS_MM = -200.0, 3300.0
DATE = "2026-11-26"

NORTH_BOLTS_MM = (-50.0, 1200.0, 2300.0, 2600.0, 3900.0, 5020.0)
EAST_BOLTS_MM = (0.0, 1100.0, 2200.0, 3150.0)


def leaning(bolt: BoltRecord, along_mm: float, across_mm: float, stickup_mm: float = 110.0) -> BoltRecord:
    level_mm = math.hypot(along_mm, across_mm)
    return replace(
        bolt,
        lean_along_mm=along_mm,
        lean_across_mm=across_mm,
        stickup_mm=stickup_mm,
        lean_deg=math.degrees(math.asin(level_mm / stickup_mm)),
    )


def bolts(letter: str, stations_mm: Sequence[float], u95_mm: float = 0.2, setback_mm: float = 70.0) -> list[BoltRecord]:
    """Plumb bolts that stick up enough for two plates, each number as sure as ``u95_mm``."""
    return [
        leaning(a_bolt(f"{letter}{count}", at, setback_mm, u95_mm), 0.0, 0.0)
        for count, at in enumerate(stations_mm, start=1)
    ]


def in_plane(
    angle_deg: float, run: str, station_mm: float, setback_mm: float, side: float = 1.0
) -> tuple[float, float]:
    """Where a place of a run lies in the plane, from nothing but the crossing and the directions above."""
    t, into_mm = math.radians(angle_deg), side * setback_mm
    if run == "north":
        return NORTH_CROSSING_MM - station_mm, into_mm
    u = station_mm - EAST_CROSSING_MM
    return u * math.cos(t) + into_mm * math.sin(t), u * math.sin(t) - into_mm * math.cos(t)


def a_survey(
    north: Sequence[BoltRecord] | None = None,
    east: Sequence[BoltRecord] | None = None,
    angle_deg: float = 97.0,
    side: float = 1.0,
    **corner: Any,
) -> Survey:
    runs = (
        a_run("north", bolts("N", NORTH_BOLTS_MM) if north is None else north, 1, (0.0, 4800.0), side),
        a_run("east", bolts("E", EAST_BOLTS_MM) if east is None else east, 6, (0.0, 3000.0), side),
    )
    stations = {"north": NORTH_CROSSING_MM, "east": EAST_CROSSING_MM}
    whole: dict[str, Any] = {"u95_deg": 0.05, "station_mm": stations, **corner}
    return Survey("Lot 7", runs, (CornerRecord(("north", "east"), angle_deg, **whole),), (a_photo(angle_deg, side),))


def a_run(name: str, held: Sequence[BoltRecord], card: int, cards_mm: Sequence[float], side: float) -> RunRecord:
    cards = tuple(CardRecord(card + place, at, 30.0, 0.0) for place, at in enumerate(cards_mm))
    status = "check" if any(bolt.status != "ok" for bolt in held) else "ok"
    marks = "outside" if side > 0.0 else "inside"
    return RunRecord(name, status, (), tuple(held), cards, line_marks=marks, line_color="blue")


def a_photo(angle_deg: float, side: float = 1.0) -> PhotoRecord:
    """A photo straight down that shows both runs."""
    down = np.diag([1.0, -1.0, -1.0])
    views = []
    for run in ("north", "east"):
        at = [np.array(in_plane(angle_deg, run, *place, side)) for place in ((0.0, 0.0), (1.0, 0.0), (0.0, 1.0))]
        axes = np.eye(3)
        axes[:2, 0], axes[:2, 1] = at[1] - at[0], at[2] - at[0]
        rotation = down @ axes
        views.append(ViewRecord(run, tuple(tuple(map(float, row)) for row in rotation), (0.0, 0.0, 1400.0)))
    return PhotoRecord("corner/1.jpg", True, "ok", sha256="ab" * 32, views=tuple(views))


def a_table(north: dict[str, Any] | None = None, east: dict[str, Any] | None = None, **tables: Any) -> dict[str, Any]:
    """job.toml as read: two layers of 2x6, ends at stations, a butted corner, and what is given on top."""
    return {
        "name": "Lot 7",
        "plate": {"size": "2x6", "layers": 2},
        "run": [
            {"name": "north", "photos": ["n*.jpg"], "begins": {"station": f"{NORTH_BEGINS_MM} mm"}, **(north or {})},
            {"name": "east", "photos": ["e*.jpg"], "ends": {"wall_end": f"{EAST_ENDS_MM} mm"}, **(east or {})},
        ],
        "corner": [{"runs": ["north", "east"], "photos": ["c*.jpg"]}],
        **tables,
    }


def some_inputs(
    table: dict[str, Any] | None = None,
    levels: Sequence[LevelPoint] = (),
    rules: str = "irc-2021",
    seismic: bool = False,
) -> PlanInputs:
    checked = check_document(a_table() if table is None else table, Path("job.toml"))
    return PlanInputs(checked, rule_set(rules, seismic=seismic), tuple(levels), DATE)


def layout(**keys: Any) -> dict[str, Any]:
    """A job file with these keys of its layout."""
    return a_table(layout=keys)


def found(plan: PlatesPlan, code: str) -> list[PlanFinding]:
    """What is said of a plan under one code."""
    return [finding for finding in plan.findings if finding.code == code]


def bolt_of(plan: PlatesPlan, mark: str) -> BoltPlan:
    """One bolt of a plan, by its mark."""
    return next(bolt for run in plan.runs for bolt in run.bolts if bolt.mark == mark)
