"""The bars on the foreman's strip are the 95 % intervals, at the scale that the page says, and of no hidden number."""

from __future__ import annotations

from dataclasses import replace
from itertools import chain

import pytest
from hypothesis import given
from hypothesis import strategies as st

from judge_runs import a_bolt
from plate_jobs import a_photo, a_run
from sillwright.survey import BoltRecord, RunRecord, Survey
from sillwright.tell.plan import REDUCTION, PlanRow, bars_times_of, plan_rows
from sillwright.tell.plan_svg import plan_svg

WIDTHS_MM = st.floats(0.05, 400.0)


def strip(*held: BoltRecord, bars_times: int | None = None, side: float = 1.0) -> tuple[RunRecord, PlanRow]:
    """A run of one row, and that row."""
    run = a_run("north", held, 1, (0.0, 1500.0), side)
    survey = Survey("Lot 9", (run,), (), (a_photo(90.0, side),))
    (row,) = plan_rows(survey, run, bars_times_of(run) if bars_times is None else bars_times)
    return run, row


def bars(row: PlanRow) -> list[tuple[tuple[float, float], ...]]:
    return [stroke.points for stroke in row.strokes if stroke.pen == "bar"]


@given(WIDTHS_MM, WIDTHS_MM, st.sampled_from([1.0, -1.0]))
def test_bars_are_so_many_times_the_interval_about_the_bolt(along_mm: float, across_mm: float, side: float) -> None:
    bolt = a_bolt("N1", 700.0, 70.0)
    bolt = replace(bolt, u95=replace(bolt.u95, station_mm=along_mm, setback_mm=across_mm))
    run, row = strip(bolt, side=side)
    times = bars_times_of(run)
    (x, y) = next(ring.centre for ring in row.rings if ring.pen == "bolt")
    first, _, _, second, _, _ = bars(row)
    half, high = times * along_mm / REDUCTION, times * across_mm / REDUCTION
    assert [*chain(*sorted(first))] == pytest.approx([x - half, y, x + half, y])
    assert [*chain(*sorted(second))] == pytest.approx([x, y - high, x, y + high])
    assert times == 1 or 2.0 * times * max(along_mm, across_mm) <= run.plate_width_mm


@pytest.mark.parametrize(
    "changes",
    [{"status": "reshoot"}, {"u95": replace(a_bolt().u95, station_mm=None, setback_mm=None)}, {"setback_mm": None}],
)
def test_what_has_no_number_or_no_interval_has_no_bar(changes: dict[str, object]) -> None:
    _, row = strip(replace(a_bolt("N1", 700.0, 70.0, 0.5), **changes))  # type: ignore[arg-type]
    assert bars(row) == []


def test_a_hidden_number_does_not_set_the_scale_of_the_others() -> None:
    wild = replace(a_bolt("N2", 900.0, 70.0, 300.0), status="reshoot")
    run, _ = strip(a_bolt("N1", 700.0, 70.0, 0.5), wild)
    assert bars_times_of(run) == 50


def test_the_measuring_sheets_plan_has_no_bars() -> None:
    _, row = strip(a_bolt("N1", 700.0, 70.0, 0.5), bars_times=0)
    assert bars(row) == []


def test_a_row_for_a_page_without_styles_has_none_and_keeps_the_scale_of_a_full_row() -> None:
    _, row = strip(a_bolt("N1", 700.0, 70.0, 0.5))
    svg = plan_svg(row, "run", styled=False)
    assert "style=" not in svg
    assert float(svg.split('viewBox="')[1].split()[2]) > 7 * 25.4
    assert "style=" in plan_svg(row, "run")
