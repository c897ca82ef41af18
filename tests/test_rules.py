"""The named rule sets say what their standards say, and a crew can change each figure."""

from __future__ import annotations

import re
from collections.abc import Callable
from dataclasses import fields

import pytest

from sillwright.errors import JobError
from sillwright.judge import checks, ends, overhang, plate_washer, stack
from sillwright.judge.own_rules import OwnRules, rule_set_from_toml
from sillwright.judge.rules import RULE_SETS, AcrossFigure, RuleSet, Source, rule_set

INCH = 25.4
CREW = Source("ours", "", "", "crew")


def figures(rules: RuleSet) -> dict[str, object]:
    return {
        field.name: getattr(rules, field.name)
        for field in fields(rules)
        if hasattr(getattr(rules, field.name), "source")
    }


@pytest.mark.parametrize("name", ["irc-2018", "irc-2021", "irc-2024"])
def test_irc_r403_1_6(name: str) -> None:
    """IRC R403.1.6: 1/2 in, 6 ft, 12 in, 7 diameters, two a piece, the middle third; NDS 12.1.3.2 for the hole."""
    rules = rule_set(name)
    lengths = (rules.bolt_diameter_least, rules.spacing_largest, rules.end_largest, rules.hole_over_least)
    assert [figure and figure.value_mm for figure in lengths] == pytest.approx([12.7, 1828.8, 304.8, 0.79375])
    assert rules.largest_hole_mm(12.7) == pytest.approx((9 / 16) * INCH)
    assert rules.bolts_least is not None
    assert rules.bolts_least.count == 2
    assert rules.bolts_least.source.edition == name.removeprefix("irc-")


@pytest.mark.parametrize(("bolt_in", "irc_in"), [(0.5, 3.5), (0.625, 4.375), (0.75, 5.25)])
def test_the_least_end_distance_goes_by_the_bolt_or_is_a_length(bolt_in: float, irc_in: float) -> None:
    """IRC R403.1.6, seven diameters; IBC 2308.3.1, 4 in whatever the bolt."""
    assert rule_set("irc-2021").end_least_mm(bolt_in * INCH) == pytest.approx(irc_in * INCH)
    assert rule_set("ibc-2308").end_least_mm(bolt_in * INCH) == pytest.approx(4.0 * INCH)


def test_ibc_2308() -> None:
    """IBC 2308.3.1: 1/2 in, 6 ft, 12 in, two a piece, no middle third; NDS's hole; 1 3/4 in of concrete (1905.1.8)."""
    rules = rule_set("ibc-2308")
    lengths = (rules.bolt_diameter_least, rules.spacing_largest, rules.end_largest, rules.concrete_edge_least)
    assert [figure and figure.value_mm for figure in lengths] == pytest.approx([12.7, 1828.8, 304.8, 44.45])
    assert [figure and figure.value_mm for figure in (rules.hole_over_least, rules.hole_over_largest)] == pytest.approx(
        [INCH / 32.0, INCH / 16.0]
    )
    assert rules.bolts_least is not None
    assert (rules.bolts_least.count, rules.across) == (2, None)


@pytest.mark.parametrize(
    ("width_in", "low_in", "high_in"),
    [(3.5, 1.167, 2.333), (5.5, 1.833, 3.667), (7.25, 2.417, 4.833), (9.25, 3.083, 6.167), (11.25, 3.750, 7.500)],
)
def test_the_middle_third_of_dimension_lumber(width_in: float, low_in: float, high_in: float) -> None:
    """Thirds of the dry widths of PS 20."""
    across = rule_set().across
    assert across is not None
    assert across.limits_mm(width_in * INCH) == pytest.approx((low_in * INCH, high_in * INCH), abs=0.02)


def test_canada_has_no_rule_for_ends_number_or_middle() -> None:
    """NBC 9.23.6.1.(2): 12.7 mm at 2.4 m, and nothing of the rest; the edge distance is NDS's."""
    rules = rule_set("nbc-2020")
    assert set(figures(rules)) == {"bolt_diameter_least", "spacing_largest", "plate_edge_least"}
    assert rules.spacing_largest is not None
    assert rules.spacing_largest.value_mm == 2400.0
    assert rules.end_least_mm(12.7) is None
    assert rules.largest_hole_mm(12.7) is None


@pytest.mark.parametrize(("bolt_in", "edge_in"), [(0.5, 0.75), (0.625, 0.9375), (0.75, 1.125)])
def test_the_edge_distance_is_judged_where_a_set_has_no_middle_part_of_the_width(
    bolt_in: float, edge_in: float
) -> None:
    """NDS Table 12.5.1C: 1 1/2 diameters."""
    without = rule_set_from_toml('across = "none"', "ours")
    for rules in (rule_set("nbc-2020"), rule_set("ibc-2308"), without):
        assert rules.plate_edge_mm(bolt_in * INCH) == pytest.approx(edge_in * INCH)
    assert rule_set("irc-2021").plate_edge_mm(bolt_in * INCH) is None


def test_the_crews_own_edge_distance_is_judged_beside_the_middle_part_too() -> None:
    assert rule_set_from_toml('plate_edge_least = "2 diameters"', "ours").plate_edge_mm(12.7) == pytest.approx(25.4)
    assert rule_set_from_toml('based_on = "nbc-2020"\nplate_edge_least = "none"', "ours").plate_edge_mm(12.7) is None


def test_a_plate_washer_is_asked_for_only_where_the_job_is_seismic() -> None:
    """IRC R602.11.1: 0.229 by 3 by 3 in, slot 3/16 wider than the bolt and 1 3/4 long, in SDC D0 to D2."""
    assert rule_set("irc-2021").plate_washer_asked is None
    washer = rule_set("irc-2021", seismic=True).plate_washer_asked
    assert washer is not None
    found_in = [
        mm / INCH for mm in (washer.side_mm, washer.thickness_mm, 12.7 + washer.slot_over_mm, washer.slot_length_mm)
    ]
    assert found_in == pytest.approx([3.0, 0.229, 11 / 16, 1.75])


@pytest.mark.parametrize("name", RULE_SETS)
def test_every_figure_of_a_named_set_says_where_it_is_from(name: str) -> None:
    for key, figure in figures(RULE_SETS[name]).items():
        source = figure.source  # type: ignore[attr-defined]
        assert source.standard, key
        assert source.section, key
        assert source.sure in ("read", "second-hand", "memory"), key


def test_no_named_set_claims_a_figure_for_overhang() -> None:
    assert all(rules.overhang_largest is None and rules.bearing_least is None for rules in RULE_SETS.values())


def test_an_unknown_set_is_refused_with_those_there_are() -> None:
    with pytest.raises(JobError, match=r"'irc-1999' is not a rule set.*irc-2021"):
        rule_set("irc-1999")


def test_a_crew_changes_what_it_names_and_keeps_the_rest() -> None:
    rules = rule_set_from_toml('based_on = "irc-2018"\nseismic = true\nspacing_largest = "4 ft"', "ours")
    assert rules.name == "ours"
    assert rules.seismic
    assert rules.spacing_largest is not None
    assert (rules.spacing_largest.value_mm, rules.spacing_largest.source) == (pytest.approx(1219.2), CREW)
    assert rules.end_largest == rule_set("irc-2018").end_largest


def test_an_empty_text_is_the_default_set_under_the_crews_name() -> None:
    assert figures(rule_set_from_toml("", "ours")) == figures(rule_set())


def test_the_least_end_distance_is_taken_in_both_forms() -> None:
    assert rule_set_from_toml('end_least = "5 diameters"', "ours").end_least_mm(12.7) == pytest.approx(63.5)
    assert rule_set_from_toml('end_least = "4 in"', "ours").end_least_mm(19.05) == pytest.approx(101.6)


def test_every_length_key_is_taken_and_taken_away() -> None:
    keys = {
        "bolt_diameter_least": "5/8 in",
        "spacing_largest": "4 ft",
        "spacing_tall_seismic": "3 ft",
        "end_largest": "10 in",
        "end_least": "3 in",
        "hole_over_least": "1/16 in",
        "hole_over_largest": "1/4 in",
        "plate_edge_least": "1 in",
        "concrete_edge_least": "1 3/4 in",
        "overhang_largest": "1/2 in",
        "bearing_least": "5 in",
        "short_wall_one_bolt": "20 in",
        "short_wall_no_bolt": "10 in",
        "plate_washer_edge": "3/4 in",
    }
    of_the_washer = {f"plate_washer_{part}" for part in ("side", "thickness", "slot_over", "slot_length")}
    others = {"based_on", "seismic", "bolts_least", "across"} | of_the_washer
    assert set(OwnRules.model_fields) == keys.keys() | others
    rules = rule_set_from_toml("\n".join(f'{key} = "{text}"' for key, text in keys.items()), "ours")
    gone = rule_set_from_toml("\n".join(f'{key} = "none"' for key in keys), "ours")
    for key in keys:
        assert getattr(rules, key).source == CREW, key
        assert getattr(gone, key) is None, key


def test_across_number_and_washer_are_the_crews_too() -> None:
    text = 'across = "middle half"\nbolts_least = 3\nplate_washer_thickness = "1/4 in"'
    rules = rule_set_from_toml(text, "ours")
    assert rules.across == AcrossFigure(0.5, CREW)
    assert rule_set_from_toml('across = "Middle  third"', "ours").across == AcrossFigure(1.0 / 3.0, CREW)
    assert rules.bolts_least is not None
    assert rules.bolts_least.count == 3
    assert rules.plate_washer is not None
    assert (rules.plate_washer.side_mm, rules.plate_washer.thickness_mm) == pytest.approx((76.2, 6.35))
    slots = 'plate_washer_slot_over = "1/8 in"\nplate_washer_slot_length = "2 in"'
    slotted = rule_set_from_toml(slots, "ours").plate_washer
    assert slotted is not None
    assert (slotted.side_mm, slotted.slot_over_mm, slotted.slot_length_mm) == pytest.approx((76.2, 3.175, 50.8))
    plain = rule_set_from_toml('plate_washer_slot_length = "none"', "ours").plate_washer
    assert plain is not None
    assert plain.slot_length_mm == plain.shift_mm(12.7) == 0.0
    gone = rule_set_from_toml('across = "none"\nbolts_least = 0', "ours")
    assert (gone.across, gone.bolts_least) == (None, None)


@pytest.mark.parametrize(
    ("text", "told"),
    [
        ("spacing_largest = 72", r"spacing_largest must be text with its unit.*72"),
        ('spacing_largest = "72"', r"spacing_largest: '72' has no unit\. Add the unit"),
        ('spacing_larges = "6 ft"', r"spacing_larges is not a key.*Did you mean spacing_largest\?"),
        ('spacing_largest = "6 in x"', r"spacing_largest: .*is not a length"),
        ('spacing_largest = "6 m"', r"spacing_largest is 6000 mm .*must be 150 to 5000 mm.*unit"),
        ('end_least = "0 diameters"', r"end_least must be over 0"),
        ('end_least = "30 diameters"', r"end_least .*is larger than end_largest .*Change one"),
        ('hole_over_largest = "0 mm"', r"hole_over_least \(0.79375 mm\) is larger than hole_over_largest \(0 mm\)"),
        ('short_wall_no_bolt = "30 in"', r"short_wall_no_bolt .*is larger than short_wall_one_bolt"),
        ('based_on = "irc"', r"based_on must be one of irc-2021"),
        ('seismic = "yes"', r"seismic is 'yes', and must be true or false"),
        ('bolts_least = "2"', r"bolts_least is '2', and must be a whole number"),
        ("bolts_least = -1", r"bolts_least is -1, and must be a whole number"),
        ('across = "middle"', r'across must be "middle third"'),
        ("across = [", r"is not TOML"),
        ('based_on = "nbc-2020"\nplate_washer_side = "3 in"', r"plate_washer_thickness is missing.*Add it"),
        ('plate_washer_side = "3 mm"', r"plate_washer_side is 3 mm"),
    ],
)
def test_a_fault_names_its_key_and_what_to_write(text: str, told: str) -> None:
    with pytest.raises(JobError) as fault:
        rule_set_from_toml(text, "ours")
    assert re.search(told, str(fault.value)), str(fault.value)
    assert str(fault.value).startswith('rule set "ours"')


def test_all_faults_are_told_at_once() -> None:
    with pytest.raises(JobError) as fault:
        rule_set_from_toml('spacing_largest = 72\nseismic = "yes"', "ours")
    assert len(str(fault.value).splitlines()) == 2


@pytest.mark.parametrize(
    "rule",
    [
        checks.bolt_diameter, checks.across_plate, checks.plate_edge, checks.concrete_edges, checks.spacing,
        ends.piece_checks, ends._count, ends._end, ends._short_wall, overhang.overhang_checks,
        plate_washer.washer_fit, stack.stick_up,
    ],
)  # fmt: skip
def test_each_rule_names_standard_edition_and_section_where_it_stands(rule: Callable[..., object]) -> None:
    named = re.search(r"(IRC|IBC|NBC|SDPWS|NDS) 20\d\d[^.;]*?\s(R?\d+\.\d+)", " ".join(str(rule.__doc__).split()))
    assert named, rule.__name__
