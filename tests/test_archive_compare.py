"""A comparison finds what was changed, seldom what was not, and says where it cannot tell."""

from __future__ import annotations

import csv
import io
import json
import math
from dataclasses import replace
from xml.etree import ElementTree

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from archive_jobs import a_job, sealed
from compare_runs import STATIONS_MM, U95_MM, a_run, by_mark, design, folder_of, leaning, noisy, run_compare, some_bolts
from judge_runs import a_bolt
from sillwright.archive.align import PAIRED_WITHIN_MM
from sillwright.archive.compare import compare, compare_run
from sillwright.archive.design import read_design
from sillwright.errors import ArchiveError, JobError
from sillwright.lengths import format_inches
from sillwright.survey import Survey
from sillwright.survey_file import write_survey

RNG_SEED = 17


def test_a_survey_against_itself_differs_in_nothing():
    found = compare_run(a_run(some_bolts()), a_run(some_bolts()))
    assert not found.differs
    assert len(found.pairs) == len(STATIONS_MM)
    assert found.along_shift_mm == 0.0


def test_of_runs_in_which_nothing_changed_no_more_than_one_in_twenty_says_that_something_did():
    """Two measurements with normal errors of the stated widths; 95 % of 600 runs, less three sigma of that count."""
    rng = np.random.default_rng(RNG_SEED)
    alarms = sum(
        compare_run(a_run(noisy(some_bolts(), rng)), a_run(noisy(some_bolts(), rng))).differs for _ in range(600)
    )
    assert alarms <= 600 * 0.05 + 3.0 * math.sqrt(600 * 0.05 * 0.95)
    assert alarms > 0  # not so wide that nothing would show


@pytest.mark.parametrize("step_mm", [-3.0, 3.0, 25.0, -60.0])
def test_a_foot_that_moved_is_told_and_no_other(step_mm):
    rng = np.random.default_rng(RNG_SEED)
    for across in (True, False):
        after = some_bolts()
        key = "setback_mm" if across else "station_mm"
        after[2] = replace(after[2], **{key: getattr(after[2], key) + step_mm})
        found = compare_run(a_run(noisy(some_bolts(), rng)), a_run(noisy(after, rng)))
        assert {mark for mark, (place, _) in by_mark(found).items() if place == "moved"} == {"N3"}


def test_a_bolt_straightened_one_that_leans_more_and_one_another_way_are_told_apart():
    before = [leaning(bolt, 8.0, 0.0) for bolt in some_bolts()]
    after = [
        leaning(one, *lean)
        for one, lean in zip(before, [(0.5, 0.2), (14.0, 1.0), (0.0, 8.0), (8.0, 0.3), (7.6, 0.0)], strict=True)
    ]
    found = compare_run(a_run(before), a_run(after))
    assert [lean for _, lean in by_mark(found).values()] == [
        "straightened", "leans more", "leans another way", "same", "same",
    ]  # fmt: skip
    assert {place for place, _ in by_mark(found).values()} == {"same"}


def test_less_than_the_two_intervals_allow_does_not_show():
    after = some_bolts()
    after[1] = replace(after[1], setback_mm=after[1].setback_mm + 0.9 * math.sqrt(2.0) * U95_MM)
    assert not compare_run(a_run(some_bolts()), a_run(after)).differs


def test_more_bolts_in_a_run_take_a_larger_difference_to_show():
    def allowance(count: int) -> float:
        bolts = some_bolts([1200.0 * place for place in range(count)])
        (difference,) = {
            pair.setback.allowance_mm for pair in compare_run(a_run(bolts), a_run(bolts)).pairs if pair.setback
        }
        return difference

    assert math.sqrt(2.0) * U95_MM < allowance(1) < allowance(5) < allowance(40) < 2.0 * math.sqrt(2.0) * U95_MM


@given(
    gone=st.sets(st.integers(0, 4), max_size=2),
    extra_mm=st.lists(st.sampled_from([500.0, 1700.0, 2900.0, 4000.0]), unique=True, max_size=2),
    shift_mm=st.sampled_from([0.0, 0.0, 333.0, -2041.0, 15.0]),
)
@settings(deadline=None)
def test_new_and_gone_bolts_are_told_wherever_the_stations_are_counted_from(gone, extra_mm, shift_mm):
    before = some_bolts()
    after = [bolt for place, bolt in enumerate(before) if place not in gone]
    after += [a_bolt(f"X{count}", at, 70.0, U95_MM) for count, at in enumerate(extra_mm)]
    after = [replace(bolt, station_mm=bolt.station_mm + shift_mm) for bolt in after]
    found = compare_run(a_run(before), a_run(after))
    assert {bolt.mark for bolt in found.gone} == {before[place].mark for place in gone}
    assert {bolt.mark for bolt in found.new} == {f"X{count}" for count in range(len(extra_mm))}
    assert found.along_shift_mm == pytest.approx(shift_mm, abs=1e-6)
    assert all(place == "same" for place, _ in by_mark(found).values())


def test_marks_that_moved_up_by_one_are_not_taken_for_the_same_bolt():
    before = some_bolts()
    after = [replace(bolt, mark=f"N{count}") for count, bolt in enumerate(before[1:], start=1)]
    found = compare_run(a_run(before), a_run(after))
    assert [(pair.first.mark, pair.second.mark) for pair in found.pairs] == [
        ("N2", "N1"),
        ("N3", "N2"),
        ("N4", "N3"),
        ("N5", "N4"),
    ]
    assert [bolt.mark for bolt in found.gone] == ["N1"]


def test_bolts_so_even_that_each_may_be_its_neighbour_are_told_as_ambiguous():
    even = some_bolts([0.0, 1200.0, 2400.0, 3600.0])
    assert compare_run(a_run(even), a_run(even[1:3])).ambiguous
    assert not compare_run(a_run(even), a_run(even)).ambiguous
    assert not compare_run(a_run(some_bolts()), a_run(some_bolts()[:4])).ambiguous


def test_a_bolt_to_shoot_again_and_missing_numbers_cannot_be_told():
    before, after = some_bolts(), some_bolts()
    after[0] = replace(after[0], status="reshoot", setback_mm=200.0)
    after[1] = replace(after[1], lean_along_mm=None, lean_across_mm=None, lean_deg=None)
    after[2] = replace(after[2], u95=replace(after[2].u95, setback_mm=None))
    found = by_mark(compare_run(a_run(before), a_run(after)))
    assert found["N1"] == ("cannot tell", "cannot tell")
    assert found["N2"] == ("same", "cannot tell")
    assert found["N3"] == ("cannot tell", "same")
    assert compare_run(a_run(before), a_run(after)).differs


def test_a_doubtful_bolt_is_marked_so():
    after = some_bolts()
    after[0] = replace(after[0], status="check")
    assert [pair.doubtful for pair in compare_run(a_run(some_bolts()), a_run(after)).pairs] == [True] + [False] * 4


def test_a_line_snapped_elsewhere_shows_as_one_shift_of_all():
    after = [replace(bolt, setback_mm=bolt.setback_mm + 9.0) for bolt in some_bolts()]
    found = compare_run(a_run(some_bolts()), a_run(after))
    assert found.common_setback_mm == pytest.approx(9.0)
    assert {place for place, _ in by_mark(found).values()} == {"moved"}
    assert compare_run(a_run(some_bolts()), a_run(some_bolts())).common_setback_mm is None


@pytest.mark.parametrize("off_mm", [-150.0, 150.0, 400.0])
def test_a_line_snapped_farther_off_than_bolts_are_paired_is_told_of_all_and_not_as_new_and_gone(tmp_path, off_mm):
    after = [replace(bolt, setback_mm=bolt.setback_mm + off_mm) for bolt in some_bolts()]
    found = compare_run(a_run(some_bolts()), a_run(after))
    assert (found.new, found.gone, found.differs) == ((), (), True)
    assert found.common_setback_mm == pytest.approx(off_mm)
    assert found.across_paired_mm == pytest.approx(off_mm)
    assert {place for place, _ in by_mark(found).values()} == {"moved"}
    assert all(
        pair.setback and pair.setback.mm == pytest.approx(off_mm) for pair in found.pairs
    )  # nothing is taken off
    status, told, _ = run_compare(folder_of(tmp_path / "a", some_bolts()), folder_of(tmp_path / "b", after))
    assert status == 1
    told = " ".join(told.split())
    assert f"{format_inches(abs(off_mm))} {'farther in from' if off_mm > 0.0 else 'nearer to'} the line" in told
    assert f'setbacks differ by about {format_inches(abs(off_mm))}, more than the 4" that bolts are paired over' in told


@given(
    off_mm=st.floats(-400.0, 400.0),
    shift_mm=st.sampled_from([0.0, 333.0, -2041.0]),
    own_mm=st.lists(st.floats(-20.0, 20.0), min_size=5, max_size=5),
)
@settings(deadline=None)
def test_bolts_are_paired_wherever_the_line_was_snapped_and_stations_are_counted_from(off_mm, shift_mm, own_mm):
    after = [
        replace(bolt, station_mm=bolt.station_mm + shift_mm, setback_mm=bolt.setback_mm + off_mm + own)
        for bolt, own in zip(some_bolts(), own_mm, strict=True)
    ]
    found = compare_run(a_run(some_bolts()), a_run(after))
    assert {(pair.first.mark, pair.second.mark) for pair in found.pairs} == {(one.mark, one.mark) for one in after}
    for pair, own in zip(found.pairs, own_mm, strict=True):
        assert pair.setback is not None
        assert pair.setback.mm == pytest.approx(off_mm + own)


def test_two_bolts_far_across_are_no_line_snapped_elsewhere():
    after = [replace(bolt, setback_mm=bolt.setback_mm + 150.0) for bolt in some_bolts()[:2]]
    found = compare_run(a_run(some_bolts()[:2]), a_run(after))
    assert (len(found.pairs), len(found.new), len(found.gone), found.across_paired_mm) == (0, 2, 2, 0.0)


def test_the_limit_over_which_bolts_are_not_paired_is_told_where_it_may_have_parted_one(tmp_path):
    after = some_bolts()
    after[1] = replace(after[1], station_mm=after[1].station_mm + 120.0)
    one, other = folder_of(tmp_path / "a", some_bolts()), folder_of(tmp_path / "b", after)
    assert 'bolts more than 4" apart are not taken for one' in " ".join(run_compare(one, other)[1].split())
    assert "apart are not taken for one" not in " ".join(run_compare(one, one)[1].split())
    assert "4 in apart" in " ".join(run_compare("--help")[1].split())


def test_what_a_star_marks_is_told_with_how_far_the_intervals_are_widened(tmp_path):
    """Bonferroni over 5 bolts of 4 numbers: the normal quantile of 1 - 0.025 / 20 is 3.023, and 1.960 of one number."""
    after = some_bolts()
    after[1] = replace(after[1], setback_mm=after[1].setback_mm + 1.4 * math.sqrt(2.0) * U95_MM)
    after[2] = replace(after[2], setback_mm=after[2].setback_mm + 1.6 * math.sqrt(2.0) * U95_MM)
    one, other = folder_of(tmp_path / "a", some_bolts()), folder_of(tmp_path / "b", after)
    _, told, _ = run_compare(one, other)
    assert "a star marks what is more than about 1.5 times the ± beside it, as 20 numbers" in " ".join(told.split())
    assert told.count("*") == 1
    _, text, _ = run_compare(one, other, "--as", "csv")
    (widened,) = {row["widened_by"] for row in csv.DictReader(io.StringIO(text.lstrip("\ufeff")))}
    assert float(widened) == pytest.approx(3.023 / 1.960, abs=0.01)
    assert "widened for the number of comparisons" in " ".join(run_compare("--help")[1].split())


def test_the_other_way_round_every_difference_has_the_other_sign():
    rng = np.random.default_rng(RNG_SEED)
    one, other = a_run(some_bolts()), a_run(noisy(some_bolts(), rng))
    there, back = compare_run(one, other), compare_run(other, one)
    for first, second in zip(there.pairs, back.pairs, strict=True):
        assert first.setback is not None
        assert second.setback is not None
        assert first.setback.mm == pytest.approx(-second.setback.mm)
        assert first.place == second.place


def test_runs_without_bolts_and_runs_of_other_names_break_nothing():
    assert compare_run(a_run([]), a_run(some_bolts())).new == tuple(some_bolts())
    assert not compare_run(a_run([]), a_run([])).differs
    found = compare([a_run([], "north")], [a_run([], "south")])
    assert (found.only_first, found.only_second, found.differs) == (("north",), ("south",), True)


def test_a_bolt_farther_off_than_bolts_stand_apart_is_gone_and_new():
    after = some_bolts()
    after[2] = replace(after[2], setback_mm=after[2].setback_mm + PAIRED_WITHIN_MM + 1.0)
    found = compare_run(a_run(some_bolts()), a_run(after))
    assert ([bolt.mark for bolt in found.gone], [bolt.mark for bolt in found.new]) == (["N3"], ["N3"])


# The design


def test_a_design_is_read_with_its_units(tmp_path):
    (run,) = read_design(design(tmp_path, "Station, Setback ,mark\n2 ft 3 in,2 3/4 in,A1\n\n-140 mm,70 mm,\n"))
    assert [(bolt.mark, bolt.station_mm, bolt.setback_mm) for bolt in run.bolts] == [
        ("A1", pytest.approx(685.8), pytest.approx(69.85)),
        ("design 2", -140.0, 70.0),
    ]


@pytest.mark.parametrize(
    ("text", "told"),
    [
        ("", "the first line must name the columns"),
        ("station\n1 in\n", "the first line must name the columns"),
        ("station,setback,color\n", "the first line must name the columns"),
        ("station,station,setback\n", "the first line must name the columns"),
        ("station,setback\n", "has no bolt in it"),
        ("station,setback\n12,2 in\n", "line 2"),
        ("station,setback\n1 in,2 in\n1 in\n", "line 3: there are 1 cells under 2 headings"),
        ('station,setback\n"1 in,2 in\n', "cannot be read as CSV"),
    ],
)
def test_what_is_wrong_with_a_design_is_told_by_its_line(tmp_path, text, told):
    with pytest.raises(JobError, match=told):
        read_design(design(tmp_path, text))


# The command


def test_table_csv_json_and_picture_hold_the_same(tmp_path):
    after = some_bolts()
    after[1] = replace(after[1], setback_mm=after[1].setback_mm + 6.35)
    after[3] = leaning(after[3], 0.0, 0.2)
    one, other = folder_of(tmp_path / "a", some_bolts()), folder_of(tmp_path / "b", [*after[:4], a_bolt("N9", 5900.0)])
    status, table, _ = run_compare(one, other, "-o", tmp_path / "c.svg")
    assert status == 1
    for words in ('+1/4"', "moved", "straightened", "only in the second", "only in the first"):
        assert words in table
    _, text, _ = run_compare(one, other, "--as", "csv")
    rows = list(csv.DictReader(io.StringIO(text.lstrip("\ufeff"))))
    assert [row["what"] for row in rows] == [
        "no difference that shows", "moved", "no difference that shows", "straightened", "only in the second",
        "only in the first",
    ]  # fmt: skip
    assert float(rows[1]["setback_difference_mm"]) == 6.35
    _, text, _ = run_compare(one, other, "--as", "json")
    (found,) = json.loads(text)["runs"]
    assert [pair["what"] for pair in found["pairs"]] == [row["what"] for row in rows[:4]]
    words = " ".join(ElementTree.parse(tmp_path / "c.svg").getroot().itertext())
    assert words.count("straightened") == 1
    assert words.count("only in the first") == 1


def test_nothing_that_differs_is_status_0(tmp_path):
    one = folder_of(tmp_path / "a", some_bolts())
    status, table, _ = run_compare(one, one / "survey.json")
    assert status == 0
    assert "no difference that shows" in table
    assert "moved" not in table


def test_as_built_against_its_design(tmp_path):
    built = folder_of(tmp_path / "a", [leaning(bolt, 0.0, 0.0) for bolt in some_bolts()])
    lines = [f"{bolt.station_mm} mm,{bolt.setback_mm} mm" for bolt in some_bolts()]
    lines[1] = "1100 mm,80 mm"
    status, table, _ = run_compare(design(tmp_path, "\n".join(["station,setback", *lines])), built)
    assert status == 1
    assert table.count("off its place") == 1
    assert table.count("as drawn") == 4


def test_what_does_not_show_is_rounded_up_and_not_told_where_everything_shows(tmp_path):
    """1.09 mm is 1.37 thirty-seconds of an inch: what is 1/32 in off does not show."""
    one = folder_of(tmp_path / "a", some_bolts(u95_mm=0.5))
    assert 'off by less than 1/16"' in run_compare(one, one)[1]
    exact = folder_of(tmp_path / "b", some_bolts(u95_mm=0.0))
    assert "off by less than" not in run_compare(exact, exact)[1]


def test_a_package_can_be_a_side(tmp_path):
    store, one = sealed(tmp_path / "store", a_job(tmp_path / "job", bolts=some_bolts()))
    assert run_compare(store.package(one.name), folder_of(tmp_path / "now", some_bolts()))[0] == 0


def test_what_cannot_be_compared_is_told(tmp_path):
    one = folder_of(tmp_path / "a", some_bolts())
    (tmp_path / "empty").mkdir()
    with pytest.raises(ArchiveError, match="holds no survey"):
        run_compare(one, tmp_path / "empty")
    two = Survey("x", (a_run([], "north"), a_run([], "east")), (), ())
    write_survey(two, tmp_path / "two" / "survey.json")
    with pytest.raises(JobError, match="does not say which run"):
        run_compare(design(tmp_path, "station,setback\n1 in,2 in\n"), tmp_path / "two")
    with pytest.raises(ArchiveError, match="no run of one name"):
        run_compare(design(tmp_path, "run,station,setback\nsouth,1 in,2 in\n"), one)
    (tmp_path / "mine.svg").write_text("<svg/>")
    status, _, told = run_compare(one, one, "-o", tmp_path / "mine.svg")
    assert status == 2
    assert "is left as it is" in told


def test_names_that_are_markup_stay_words_in_the_picture(tmp_path):
    bolts = [replace(bolt, mark="<script>&\"'") for bolt in some_bolts()[:1]]
    run_compare(folder_of(tmp_path / "a", bolts), folder_of(tmp_path / "b", bolts), "-o", tmp_path / "c.svg")
    root = ElementTree.parse(tmp_path / "c.svg").getroot()
    assert not [part for part in root.iter() if part.tag.endswith("script")]
    assert any("<script>" in text for text in root.itertext())
