"""Every code of the plan's record has words, and each sentence says what was found and what to do."""

from __future__ import annotations

import re
from dataclasses import replace
from typing import get_args, get_type_hints

import pytest
from hypothesis import given
from hypothesis import strategies as st

from sillwright.judge.passes import PassCode
from sillwright.judge.rules import Source, Sure
from sillwright.judge.verdicts import Check, CheckKey, Verdict
from sillwright.lengths import MM_PER_INCH, parse_length_mm
from sillwright.plates.findings import PlanFinding
from sillwright.plates.levels import Shim, ShimPlace
from sillwright.plates.piece import Hole, HoleDoubt, PlatePiece
from sillwright.plates.record import RULE_KEYS, EndKind, LayerEnd, PlanStatus
from sillwright.plates.shopping import Item, ShoppingLine
from sillwright.plates.splice_anchors import AddedAnchor
from sillwright.plates.square import Squareness
from sillwright.tell import plate_word_table as table
from sillwright.tell.plate_findings import explain_plan
from sillwright.tell.plate_job_rows import rule_words
from sillwright.tell.plate_run_rows import END_WORDS
from sillwright.tell.plate_view import HOLE_DOUBTS, hole_doubts
from sillwright.tell.plate_words import (
    STATES,
    VERDICTS,
    check_sentence,
    drill_words,
    item_words,
    limit_words,
    pass_sentence,
    play_words,
    quantity_words,
    shim_height_words,
    source_words,
    station_words,
    stretch_words,
)

IRC = Source("IRC", "2021", "R403.1.6", "second-hand")


def literals(kind: type, name: str) -> tuple[str, ...]:
    return get_args(get_type_hints(kind)[name])


@pytest.mark.parametrize(
    ("words", "codes"),
    [
        (table.CHECK_SAYS, get_args(CheckKey)),
        (table.CHECK_DO, get_args(CheckKey)),
        (table.PASS_WORDS, get_args(PassCode)),
        (table.SHIM_HEIGHTS, literals(Shim, "verdict")),
        (table.SHIM_VERDICTS, literals(Shim, "verdict")),
        (table.WANTED_WORDS, literals(AddedAnchor, "wanted_by")),
        (table.JOINT_WORDS, literals(LayerEnd, "joint")),
        (table.SQUARE_VERDICTS, literals(Squareness, "verdict")),
        (table.ITEM_WORDS, get_args(Item)),
        (table.SURE_WORDS, get_args(Sure)),
        (VERDICTS, get_args(Verdict)),
        (STATES, get_args(PlanStatus)),
        (HOLE_DOUBTS, get_args(HoleDoubt)),
        (END_WORDS, get_args(EndKind)),
    ],
)
def test_every_code_of_the_record_has_its_words_and_none_is_left_over(words, codes) -> None:
    assert set(words) == set(codes)
    assert all(words.values())


def test_every_figure_of_a_rule_set_has_its_words() -> None:
    assert all(rule_words(key) for key in RULE_KEYS)


def a_check(key: CheckKey = "spacing", **changes: object) -> Check:
    check = Check(key, "N1", "does not", 1900.0, 1.0, 1828.8, IRC, "at most", other="N2", piece="north 1.1")
    return replace(check, **changes)  # type: ignore[arg-type]


@pytest.mark.parametrize("key", get_args(CheckKey))
@pytest.mark.parametrize("verdict", get_args(Verdict))
def test_a_check_is_told_whole_with_its_limit_its_verdict_and_what_to_do(key, verdict) -> None:
    counted = {"measured_mm": None, "limit_mm": None, "count": 1, "count_least": 2} if key == "bolts-a-piece" else {}
    told = check_sentence(a_check(key, verdict=verdict, **counted))
    assert told[0].isupper() or told[0].isdigit()
    assert told.endswith(".")
    assert not re.search(r"[{}]|  |\.\.| \.|None", told)
    assert f" {VERDICTS[verdict]}." in told
    assert limit_words(a_check(key, **counted)) in told
    fails, unsure = table.CHECK_DO[key]
    assert (fails in told, unsure in told) == (verdict == "does not", verdict == "cannot tell")


def test_a_step_too_wide_reads_as_a_carpenter_would_say_it() -> None:
    assert check_sentence(a_check()) == (
        'N1 and N2 stand 6\' 2 13/16" ± 1/16" apart (at most 6\' 0"). DOES NOT MEET. An anchor between them is wanted: '
        "ask the engineer or the building official."
    )


def test_what_was_not_measured_and_what_rests_on_a_doubt_is_said() -> None:
    assert "not measured" in check_sentence(a_check(verdict="cannot tell", measured_mm=None, u95_mm=None))
    assert "is in doubt" in check_sentence(a_check(doubtful=True))
    none = a_check("end-largest", subject="north 1.1", other="low end", measured_mm=None, u95_mm=None)
    assert check_sentence(none).startswith("No bolt stands near the low end of north 1.1 (at most 6' 0\").")


def test_a_source_says_how_sure_its_figure_is() -> None:
    assert source_words(IRC) == "IRC 2021 R403.1.6 (second hand)"
    assert source_words(replace(IRC, sure="read")) == "IRC 2021 R403.1.6"
    assert source_words(Source("", "", "", "crew")) == "set by the crew in the job file"
    assert source_words(Source("common practice, no source", "", "", "memory")) == "common practice, no source"


@pytest.mark.parametrize("code", get_args(PassCode))
def test_a_pass_code_is_a_sentence_with_something_to_do(code) -> None:
    told = pass_sentence(code)
    assert re.fullmatch(r"[A-Z][^{}]+: [a-z][^{}]+\.", told)


@pytest.mark.parametrize("code", ["bent", "damaged", "off-plate", "past-cold-bend"])
def test_what_is_the_engineers_goes_to_the_engineer_in_those_words(code) -> None:
    assert "have the engineer say" in pass_sentence(code)


@pytest.mark.parametrize(
    ("verdict", "sixteenths", "doubtful", "words"),
    [
        ("shim", 3, False, '3/16"'),
        ("shim", 3, True, '(3/16")'),
        ("none", None, True, "(none)"),
        ("engineer", None, False, "ENGINEER"),
        ("grout", None, False, "GROUT"),
        ("not read", None, True, "NOT READ"),
    ],
)
def test_a_shim_in_doubt_stands_in_brackets(verdict, sixteenths, doubtful, words) -> None:
    shim = Shim("north", ShimPlace(0.0), 4.0, 1.0, sixteenths, 0.0, verdict, doubtful)
    assert shim_height_words(shim) == words


@given(st.floats(-2000, 20000), st.floats(0, 3000), st.floats(-500, 500), st.sampled_from([16, 32]))
def test_a_stretch_for_an_anchor_is_never_made_longer_by_rounding(low_mm, long_mm, from_mm, parts) -> None:
    anchor = AddedAnchor(low_mm + abs(from_mm) + 600.0, low_mm + abs(from_mm) + 600.0 + long_mm, "joint")
    told = stretch_words(anchor, low_mm, parts)
    if " to " in told:
        near_mm, far_mm = (parse_length_mm(part) for part in told.split(" to "))
        assert anchor.low_mm - low_mm - 1e-3 <= near_mm <= far_mm <= anchor.high_mm - low_mm + 1e-3
    else:
        assert long_mm < 2 * MM_PER_INCH / parts


def test_stations_before_the_zero_mark_are_back() -> None:
    assert station_words(-200.0) == 'station 7 7/8" back'
    assert station_words(0.0) == 'station 0"'


@pytest.mark.parametrize(("mm", "words"), [(9 / 16 * 25.4, '9/16"'), (13.0, "13.0 mm"), (14.0, "14.0 mm")])
def test_a_drill_is_told_by_the_inch_only_where_it_is_one(mm, words) -> None:
    assert drill_words(mm) == words


@pytest.mark.parametrize("item", get_args(Item))
def test_each_thing_to_buy_is_told_with_what_tells_it_from_others(item) -> None:
    line = ShoppingLine(
        item, "mm" if item == "sill-sealer" else "each", 10, 11, 0.1, 3657.6, 139.7, 38.1, 14.2875, "1/2-13 UNC", 3,
        "north", "blue",
    )  # fmt: skip
    told = f"{quantity_words(line)} {item_words(line)}"
    assert not re.search(r"[{}]|None|  ", told)
    assert "10% more" in told


def test_sealer_is_bought_by_whole_feet_and_never_too_short() -> None:
    line = ShoppingLine("sill-sealer", "mm", 304.8 * 10.1, 304.8 * 11.01, 0.1, width_mm=139.7)
    assert quantity_words(line) == "12 ft (11 ft and 10% more)"


@given(st.floats(0.0, 12.0))
def test_the_play_of_a_hole_is_one_figure_wherever_it_is_told(play_mm: float) -> None:
    """The list of what to decide and the line of the bolt round it the same way, down."""
    told = play_words(play_mm)
    finding = explain_plan(PlanFinding("hole-tolerance", marks=("N1",), value_mm=play_mm))
    piece = PlatePiece("north 1.1", "north", 1, 0.0, 1000.0, 139.7, 38.1)
    hole = Hole("N1", 500.0, 70.0, 12.7 + 2.0 * play_mm, 12.5, 12.5, taken_mm=12.5)
    (doubt,) = hole_doubts(piece, hole, {"N1": 12.7})
    if told == "no room":
        assert "may take more than the hole leaves, which is no room: " in finding
    else:
        assert f"the {told} that the hole leaves" in finding
    assert f"the hole leaves {told} each way" in doubt
    if told != "no room":
        assert play_mm - 0.1 <= float(told.removesuffix(" mm")) <= play_mm + 1e-4
