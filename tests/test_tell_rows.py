"""The rows of the hole-marking and bolt-straightening lists."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from rich.console import Console

from sillwright.lengths import parse_length_mm
from sillwright.survey import BoltRecord, BoltU95, CardRecord, Finding, PhotoRecord, RunRecord, Survey, ViewRecord
from sillwright.tell.plan import plan_rows
from sillwright.tell.reason import BESIDE, DECIDING
from sillwright.tell.reason_table import REASONS
from sillwright.tell.reasons import explain, title
from sillwright.tell.rows import angle_text, hole_rows, lean_rows, place_along, shown, spacing_u95_mm
from sillwright.tell.tables import hole_table, lean_table
from sillwright.tell.wording import scale_statement

U95 = BoltU95(0.6, 0.5, 0.8, 0.8, 0.6, 1.4)
LEANS = BoltRecord("N1", 412.3, 69.8, 6.0, 0.0, 4.1, 82.4, "photos", 12.7, U95, ("1.jpg",), "ok")
CARDS = (CardRecord(3, 0.0, 31.0, 0.0), CardRecord(5, 1800.0, 31.0, 0.0))


def run_of(*bolts: BoltRecord, **changes: object) -> RunRecord:
    return replace(RunRecord("north", "ok", (), bolts, CARDS), **changes)  # type: ignore[arg-type]


def survey_of(run: RunRecord, left_handed: bool = False) -> Survey:
    rotation = np.diag([1.0, 1.0 if left_handed else -1.0, -1.0])
    view = ViewRecord("north", tuple(map(tuple, rotation.tolist())), (0.0, 0.0, 1200.0))
    return Survey("job", (run,), (), (PhotoRecord("1.jpg", True, "ok", views=(view,)),))


def printed(table: object, width: int = 160) -> str:
    console = Console(width=width, record=True, file=open("/dev/null", "w"))  # noqa: SIM115, PTH123
    console.print(table)
    return console.export_text()


@given(st.floats(0, 20_000), st.floats(0, 30))
def test_the_printed_inches_with_their_width_hold_the_whole_interval(mm: float, u95_mm: float) -> None:
    number = shown(mm, u95_mm)
    centre_mm = parse_length_mm(number.inches)
    half_mm = parse_length_mm(number.plus_minus.removeprefix("± "))
    assert centre_mm - half_mm <= mm - u95_mm + 1e-3
    assert centre_mm + half_mm >= mm + u95_mm - 1e-3


@given(st.floats(0, 20_000), st.floats(0.001, 30))
def test_the_printed_millimetres_with_their_width_hold_the_whole_interval(mm: float, u95_mm: float) -> None:
    middle, width = shown(mm, u95_mm).metric.removesuffix(" mm").split(" ± ")
    assert float(middle) - float(width) <= mm - u95_mm + 1e-6
    assert float(middle) + float(width) >= mm + u95_mm - 1e-6


@given(st.floats(0, 180), st.floats(0.0001, 3), st.integers(1, 2))
def test_a_printed_angle_with_its_width_holds_the_whole_interval(deg: float, u95_deg: float, decimals: int) -> None:
    middle, width = angle_text(deg, u95_deg, decimals).removesuffix("°").split(" ± ")
    assert float(middle) - float(width) <= deg - u95_deg + 1e-6
    assert float(middle) + float(width) >= deg + u95_deg - 1e-6


def test_a_length_and_its_width_are_both_read_off_a_tape() -> None:
    """Widths are whole 32nds of an inch, the finest marks on a tape (common practice, no source); never none."""
    assert shown(69.85, 0.0).plus_minus == '± 1/32"'
    assert shown(69.85, 0.8).plus_minus == '± 1/16"', "0.8 mm is over 1/32 in"
    assert shown(69.85, 26.2).plus_minus == '± 1 1/16"'
    for u95_mm in (0.3, 0.9, 4.0, 40.0):
        assert "." not in shown(69.85, u95_mm).plus_minus


def test_a_number_without_an_interval_says_so() -> None:
    assert "not known" in shown(69.8, None).plus_minus
    assert "not known" in shown(69.8, None).metric


def test_stations_before_the_zero_mark_say_back_in_words() -> None:
    row = hole_rows(run_of(replace(LEANS, station_mm=-144.2)))[0]
    assert row.along is not None
    assert row.along.inches == '5 11/16" back'
    assert row.along.metric.startswith("-144.2")


def test_a_setback_beyond_the_line_says_so() -> None:
    row = hole_rows(run_of(replace(LEANS, setback_mm=-12.7)))[0]
    assert row.setback is not None
    assert row.setback.inches == '1/2" beyond the line'


def test_bolts_stand_in_wall_order_with_the_distance_between_them() -> None:
    second = replace(LEANS, mark="N2", station_mm=1412.3)
    rows = hole_rows(run_of(second, LEANS))
    assert [row.mark for row in rows] == ["N1", "N2"]
    assert rows[0].from_previous is None
    assert rows[1].from_previous is not None
    assert rows[1].from_previous.metric.startswith("1000.0 ± ")


def test_no_distance_is_given_from_or_across_a_bolt_without_a_number() -> None:
    lost = replace(LEANS, mark="N2", station_mm=900.0, status="reshoot", reasons=(Finding("one-view"),))
    third = replace(LEANS, mark="N3", station_mm=1412.3)
    rows = hole_rows(run_of(LEANS, lost, third))
    assert rows[1].from_previous is None
    assert rows[2].from_previous is None


def test_a_bolt_to_shoot_again_carries_no_number_at_all() -> None:
    run = run_of(replace(LEANS, status="reshoot", reasons=(Finding("one-view"),)))
    row = hole_rows(run)[0]
    assert (row.along, row.from_previous, row.setback) == (None, None, None)
    lean = lean_rows(survey_of(run), run)[0]
    assert (lean.lean, lean.tip_move, lean.arrow_deg, lean.way) == (None, None, None, "")
    for table in (hole_table(run), lean_table(survey_of(run), run)):
        text = printed(table)
        assert "RE-SHOOT" in text
        assert "412" not in text
        assert "69.8" not in text
        assert "4.1" not in text


def test_a_run_without_bolts_has_no_empty_list() -> None:
    text = printed(hole_table(run_of(status="reshoot", reasons=(Finding("no-chalk-line"),))))
    assert "RE-SHOOT" in text
    assert "No chalk line was found" in text
    assert "hole-marking list" not in text
    assert "Stations count" not in text


def test_a_doubtful_bolt_has_its_reason_beside_its_number() -> None:
    run = run_of(replace(LEANS, status="check", reasons=(Finding("base-hidden"),)))
    line = next(line for line in printed(hole_table(run)).splitlines() if line.startswith("N1 "))
    assert '2 3/4"' in line
    assert "CHECK Base hidden" in line


def test_a_doubtful_bolt_without_a_reason_is_not_silent() -> None:
    assert hole_rows(run_of(replace(LEANS, status="check")))[0].why == ("No reason recorded",)


def test_no_bolt_is_ok_on_a_run_that_must_be_shot_again() -> None:
    row = hole_rows(run_of(LEANS, status="reshoot", reasons=(Finding("scale-wrong", value_mm=0.9),)))[0]
    assert row.status == "check"
    assert row.why == ("Bolts come out the wrong size",)


@pytest.mark.parametrize(
    ("along_mm", "across_mm", "left_handed", "arrow", "words"),
    [
        (6.0, 0.0, False, "←", "toward lower stations"),
        (6.0, 0.0, True, "←", "toward lower stations"),
        (-6.0, 0.0, False, "→", "toward higher stations"),
        (0.0, 6.0, False, "↓", "toward the chalk line"),
        (0.0, 6.0, True, "↑", "toward the chalk line"),
        (0.0, -6.0, True, "↓", "away from the chalk line"),
        (-5.0, -5.0, False, "↗", "away from the chalk line and toward higher stations"),
        (6.0, 2.0, False, "←", "toward lower stations and a little toward the chalk line"),
    ],
)
def test_arrow_and_words_send_the_tip_the_same_way(
    along_mm: float, across_mm: float, left_handed: bool, arrow: str, words: str
) -> None:
    """Seen from above with stations to the right, the plate's side is up in a right-handed run frame."""
    run = run_of(replace(LEANS, lean_along_mm=along_mm, lean_across_mm=across_mm))
    row = lean_rows(survey_of(run, left_handed), run)[0]
    assert (row.arrow, row.way) == (arrow, words)


def test_no_arrow_is_drawn_where_no_photo_tells_the_plate_s_side() -> None:
    run = run_of(LEANS)
    row = lean_rows(Survey("job", (run,), (), ()), run)[0]
    assert row.arrow == ""
    assert row.way == "toward lower stations"


def test_a_bolt_left_as_it_stands_has_no_move() -> None:
    run = run_of(replace(LEANS, lean_along_mm=1.0, lean_deg=0.7))
    row = lean_rows(survey_of(run), run)[0]
    assert (row.verdict, row.tip_move, row.arrow) == ("leave", None, "")


@pytest.mark.parametrize(
    ("lean_deg", "u95_deg", "why"),
    [
        (8.4, 0.9, ("Leans more than 2.9°",)),
        (3.0, 0.5, ("Too near 2.9° to tell",)),
        (2.0, 0.5, ()),
        (47.0, 0.9, ("Leans more than 45°, too far to bend back",)),
    ],
)
def test_the_straightening_list_says_why(lean_deg: float, u95_deg: float, why: tuple[str, ...]) -> None:
    leaning = replace(LEANS, lean_deg=lean_deg, status="ok", reasons=(), u95=replace(LEANS.u95, lean_deg=u95_deg))
    run = run_of(leaning)
    assert lean_rows(survey_of(run), run)[0].why == why


@pytest.mark.parametrize(
    ("changes", "why"),
    [
        ({"lean_deg": 3.0}, "Too near 2.9° to tell"),
        ({"lean_deg": 4.1, "u95": replace(U95, lean_deg=None)}, "Its ± is not known"),
        ({"lean_deg": 1.0, "reasons": (Finding("bent"),)}, "Bent"),
    ],
)
def test_a_bolt_whose_lean_cannot_be_told_has_a_reason_and_neither_way_nor_distance(
    changes: dict[str, object], why: str
) -> None:
    run = run_of(replace(LEANS, **changes))  # type: ignore[arg-type]
    survey = survey_of(run)
    row = lean_rows(survey, run)[0]
    assert (row.verdict, row.tip_move, row.way, row.arrow) == ("cannot tell", None, "", "")
    assert row.why[0].startswith(why)
    assert not any(stroke.pen == "arrow" for plan in plan_rows(survey, run) for stroke in plan.strokes)


def test_a_bolt_to_straighten_has_its_arrow_on_the_plan() -> None:
    run = run_of(LEANS)
    assert any(stroke.pen == "arrow" for plan in plan_rows(survey_of(run), run) for stroke in plan.strokes)


@given(st.permutations(["one-view", "wide-interval", "weak-evidence", "made-up", "scale-conflict", "has-nut"]))
def test_the_reason_that_decided_the_status_stands_first_in_whatever_order_they_were_found(codes: list[str]) -> None:
    run = run_of(replace(LEANS, status="check", reasons=tuple(Finding(code) for code in codes)))
    row = hole_rows(run)[0]
    order = ["weak-evidence", "scale-conflict", "wide-interval", "made-up", "one-view", "has-nut"]
    assert row.why == tuple(title(Finding(code), "bolt") for code in order)
    assert row.explained == tuple(explain(Finding(code), "bolt") for code in order)
    assert lean_rows(survey_of(run), run)[0].why[1:] == row.why


def test_where_the_run_spoils_a_good_bolt_the_run_s_reason_stands_first() -> None:
    spoiled = {"status": "reshoot", "reasons": (Finding("scale-wrong", value_mm=0.9),)}
    row = hole_rows(run_of(replace(LEANS, reasons=(Finding("one-view"),)), **spoiled))[0]
    assert row.why == ("Bolts come out the wrong size", "Seen in one photo only")


def test_every_code_of_a_bolt_has_its_rank() -> None:
    assert {reason.code for reason in REASONS if reason.subject == "bolt"} <= {*DECIDING, *BESIDE}
    assert len({*DECIDING, *BESIDE}) == len(DECIDING) + len(BESIDE)


def test_a_bolt_without_a_lean_is_listed_as_not_measured() -> None:
    run = run_of(
        replace(
            LEANS,
            lean_deg=None,
            lean_along_mm=None,
            lean_across_mm=None,
            status="check",
            reasons=(Finding("one-view"),),
        )
    )
    row = lean_rows(survey_of(run), run)[0]
    assert (row.verdict, row.why) == ("not measured", ("Seen in one photo only",))


@given(st.floats(-3000, 9000), st.floats(10, 3000), st.floats(0, 0.002), st.floats(0.1, 2), st.floats(-1, 1))
def test_the_width_between_bolts_holds_whatever_their_own_errors_share(
    at_mm: float, apart_mm: float, scale: float, own_mm: float, correlation: float
) -> None:
    """Var(b - a) with a common scale error and own errors of any correlation (elementary propagation)."""
    ends = []
    for station_mm in (at_mm, at_mm + apart_mm):
        u95_mm = math.hypot(own_mm, scale * station_mm)
        ends.append(replace(LEANS, station_mm=station_mm, u95=replace(U95, station_mm=u95_mm)))
    width_mm = spacing_u95_mm(ends[0], ends[1], scale)
    assert width_mm is not None
    own_variance = 2 * own_mm**2 * (1 - correlation)
    assert width_mm >= math.sqrt((scale * apart_mm) ** 2 + own_variance) - 1e-6


def test_a_shared_scale_does_not_swell_short_distances() -> None:
    far = [
        replace(LEANS, station_mm=s, u95=replace(U95, station_mm=math.hypot(0.4, 0.001 * s))) for s in (9000.0, 9300.0)
    ]
    width_mm = spacing_u95_mm(far[0], far[1], 0.001)
    assert width_mm == pytest.approx(math.hypot(0.3, 0.8), abs=1e-6)


def test_the_scale_claims_to_be_counted_only_where_it_is() -> None:
    bolt = replace(LEANS, station_mm=3000.0)
    run = run_of(bolt, scale_u95_ratio=0.001)
    assert "counted" not in scale_statement(run)
    wide = replace(bolt, u95=replace(U95, station_mm=3.1))
    assert "counted in every ±" in scale_statement(run_of(wide, scale_u95_ratio=0.001))


def test_a_name_cannot_steer_the_terminal() -> None:
    run = run_of(replace(LEANS, mark="\x1b[2Jgone", status="check", reasons=(Finding("blurred", ("\x1b]0;x\x07",)),)))
    assert "\x1b" not in printed(hole_table(run))


def test_every_number_stays_with_its_width_on_a_narrow_terminal() -> None:
    text = printed(hole_table(run_of(replace(LEANS, station_mm=4321.0))), width=80)
    assert any('14\' 2 1/8" ± 1/32"' in line for line in text.splitlines())


def test_a_place_before_the_zero_mark_is_back_only_where_it_does_not_print_as_the_mark_itself() -> None:
    assert [place_along(mm) for mm in (-25.4, -0.7, 0.7, 25.4)] == ['1" back', '0"', '0"', '1"']
    assert [place_along(mm, 1) for mm in (-25.4, -12.0, 12.0)] == ['1" back', '0"', '0"']
