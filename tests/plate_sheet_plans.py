"""Plans of whole jobs for tests of the plates' sheets: every kind of doubt, one layer to three, a long run, none."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

from plate_jobs import EAST_BOLTS_MM, FOOT_MM, NORTH_BOLTS_MM, a_survey, a_table, bolts, leaning, some_inputs
from plate_plans import example_plan
from sillwright.plates.levels import LevelPoint
from sillwright.plates.plan import plan_job
from sillwright.plates.record import PlatesPlan
from sillwright.survey import BoltU95, Finding
from sillwright.tell.plate_hole_rows import HoleRow
from sillwright.tell.plate_run_rows import run_rows

LEVELS = (
    LevelPoint("north", -200.0, 0.0),
    LevelPoint("north", 2000.0, -3.0),
    LevelPoint("north", 4000.0, -8.0),
    LevelPoint("north", 5200.0, -2.0),
    LevelPoint("east", -200.0, -2.0),
    LevelPoint("east", 1500.0, -30.0),
    LevelPoint("east", 3000.0, -1.0),
)


def doubtful_plan(layers: int = 2, marks: str = "1/16 in", levels: bool = True, **corner: Any) -> PlatesPlan:
    """N2 leans, N3 is ``check``, N4 stands far in, N5 is bent, E2 is ``reshoot``, E3 has a wide interval."""
    north, east = bolts("N", NORTH_BOLTS_MM), bolts("E", EAST_BOLTS_MM)
    north[1] = leaning(north[1], 9.0, -4.0)
    north[2] = replace(north[2], status="check", reasons=(Finding("wide-interval", value_mm=1.9),))
    north[3] = replace(north[3], setback_mm=126.0)
    north[4] = replace(north[4], status="check", reasons=(Finding("bent"),))
    east[1] = replace(
        east[1], status="reshoot", reasons=(Finding("weak-evidence"),), setback_mm=61.7, stickup_mm=104.2, lean_deg=8.9
    )
    east[2] = replace(east[2], u95=BoltU95(1.2, 1.1, 0.5, 0.5, 0.4, 1.0))
    table = a_table(plate={"size": "2x6", "layers": layers}, layout={"stock": ["12 ft"], "marks": marks})
    return plan_job(a_survey(north, east, **corner), some_inputs(table, LEVELS if levels else ()))


def corner_plan(leaning_mm: float = 0.0) -> PlatesPlan:
    """Two layers butted at the corner, with N6 and E1 in it: the layers take them through different runs' plates."""
    north, east = bolts("N", (*NORTH_BOLTS_MM[:-1], 5150.0)), bolts("E", (-180.0, *EAST_BOLTS_MM[1:]))
    north[-1] = leaning(north[-1], leaning_mm, 0.0)
    return plan_job(a_survey(north, east), some_inputs(a_table(layout={"hole_over": "1/4 in"})))


def shifted_plan() -> PlatesPlan:
    """All of north's bolts stand a little far in: another chalk line brings in all of them."""
    held = [replace(bolt, setback_mm=97.0) for bolt in bolts("N", NORTH_BOLTS_MM)]
    return plan_job(a_survey(held), some_inputs())


def engineer_plan() -> PlatesPlan:
    """N3 leans past bending, N4 stands off the plate, N2 has no lean; the corner's angle has no interval."""
    north = bolts("N", NORTH_BOLTS_MM)
    north[1] = replace(north[1], lean_along_mm=None, lean_across_mm=None, lean_deg=None)
    north[2] = leaning(north[2], 90.0, 10.0)
    north[3] = replace(north[3], setback_mm=170.0)
    return plan_job(a_survey(north, u95_deg=None), some_inputs())


def outline_plan() -> PlatesPlan:
    """An outline that was taped with one wall wrong."""
    wall = [("north", "17 ft 8 in"), ("east", "11 ft 8 in"), ("north", "17 ft"), ("east", "12 ft")]
    outline = {
        "wall": [{"run": run, "length": length} for run, length in wall],
        "diagonal": [
            {"from_corner": 1, "to_corner": 3, "length": "20 ft 9 in"},
            {"from_corner": 2, "to_corner": 4, "length": "21 ft"},
        ],
    }
    return plan_job(a_survey(), some_inputs(a_table(outline=outline)))


def seismic_plan() -> PlatesPlan:
    """Plate washers on a 2x6: N2 hangs over the far edge, N3 must be moved, N4 comes near the chalk line, N5 leans by
    much and not surely known, E4 hangs off its piece's end."""
    north, east = bolts("N", NORTH_BOLTS_MM), bolts("E", EAST_BOLTS_MM)
    for place, setback_mm in ((1, 139.7 - 20.0), (2, 32.0), (3, 48.0)):
        north[place] = replace(north[place], setback_mm=setback_mm)
    north[4] = replace(north[4], setback_mm=27.0, u95=replace(north[4].u95, setback_mm=1.0))
    east[3] = replace(east[3], station_mm=3300.0 - 20.0)
    table = a_table(layout={"seismic": True, "hole_over": "1/4 in"})
    return plan_job(a_survey(north, east), some_inputs(table, seismic=True))


def sure_plan() -> PlatesPlan:
    """Nothing in doubt: bolts that are all sure, holes with play."""
    table = a_table(plate={"size": "2x6", "layers": 1}, layout={"stock": ["12 ft"], "hole_over": "1/4 in"})
    return plan_job(a_survey(), some_inputs(table))


def long_plan(layers: int = 2, spacing_ft: float = 5.5) -> PlatesPlan:
    """20 bolts on one run."""
    length_mm = 19 * spacing_ft * FOOT_MM + 300.0
    held = bolts("N", [150.0 + k * (length_mm - 300.0) / 19 for k in range(20)])
    held[5] = leaning(held[5], 8.0, 5.0)
    held[9] = replace(held[9], status="check", reasons=(Finding("base-hidden"),))
    survey = a_survey()
    run = replace(survey.runs[0], bolts=tuple(held))
    ends = {"begins": {"station": "0 in"}, "ends": {"station": f"{length_mm} mm"}}
    table = {"name": "Lot 7", "plate": {"layers": layers}, "run": [{"name": "north", "photos": ["n*.jpg"], **ends}]}
    return plan_job(replace(survey, runs=(run,), corners=()), some_inputs(table))


def empty_plan() -> PlatesPlan:
    """A run without a bolt, and no photo."""
    survey = a_survey()
    run = replace(survey.runs[0], bolts=())
    table = {"name": "Lot 7", "run": [{"name": "north", "photos": ["n*.jpg"]}]}
    return plan_job(replace(survey, runs=(run,), corners=(), photos=()), some_inputs(table))


PLANS = {
    "example": example_plan(),
    "doubtful": doubtful_plan(),
    "three layers": doubtful_plan(3),
    "one layer": doubtful_plan(1, levels=False),
    "fine marks": doubtful_plan(marks="1/32 in"),
    "corner in doubt": doubtful_plan(status="check"),
    "seismic": seismic_plan(),
    "sure": sure_plan(),
    "corner": corner_plan(),
    "shifted": shifted_plan(),
    "engineer": engineer_plan(),
    "outline": outline_plan(),
    "long": long_plan(),
    "empty": empty_plan(),
}


def all_rows(plan: PlatesPlan) -> list[tuple[str, HoleRow]]:
    """Every line of every run's holes, with its run."""
    return [(run.name, row) for run in plan.runs for row in run_rows(plan, run).holes]
