"""Two surveys that do not count from one place, one end or one edge are compared as far as can be, and it is told."""

from __future__ import annotations

import csv
import io
import json
from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path
from xml.etree import ElementTree

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from compare_runs import a_run, by_mark, design, folder_of, leaning, noisy, run_compare, some_bolts
from sillwright.archive.compare import RunComparison, compare_run
from sillwright.survey import BoltRecord, Survey
from sillwright.survey_file import write_survey

RNG_SEED = 17


# A shift of the whole run


def shifted(bolts: Sequence[BoltRecord], by_mm: float) -> list[BoltRecord]:
    return [replace(bolt, station_mm=(bolt.station_mm or 0.0) + by_mm) for bolt in bolts]


def places(found: RunComparison) -> list[str]:
    return [pair.place for pair in found.pairs]


def test_a_whole_run_that_reads_elsewhere_is_never_passed_over_in_silence():
    one, other = a_run(some_bolts()), a_run(shifted(some_bolts(), 30.0))
    found = compare_run(one, other)
    assert (places(found), found.along_shift_mm, found.differs) == (["same"] * 5, pytest.approx(30.0), True)
    asked = compare_run(one, other, "along")
    assert (places(asked), asked.along_shift_mm, asked.differs) == (["same"] * 5, pytest.approx(30.0), False)
    never = compare_run(one, other, "none")
    assert (places(never), never.along_shift_mm, never.differs) == (["moved"] * 5, 0.0, True)
    assert never.along_seen_mm == pytest.approx(30.0)


@pytest.mark.parametrize(
    ("steps_mm", "told"),
    [((30.0,), ["moved"]), ((30.0, 30.0), ["moved", "moved"]), ((0.0, 30.0), ["same", "moved"])],
)
def test_of_less_than_three_bolts_nothing_is_taken_off(steps_mm, told):
    before = some_bolts()[: len(steps_mm)]
    after = [shifted([bolt], step)[0] for bolt, step in zip(before, steps_mm, strict=True)]
    found = compare_run(a_run(before), a_run(after))
    assert (places(found), found.along_shift_mm) == (told, 0.0)


def test_of_two_bolts_one_that_moved_is_not_shared_out_between_both():
    before = some_bolts()[:2]
    found = compare_run(a_run(before), a_run([before[0], *shifted(before[1:], 30.0)]), "along")
    assert (places(found), found.differs) == (["same", "moved"], True)


@given(shift_mm=st.floats(-3000.0, 3000.0), moved=st.integers(0, 4), step_mm=st.sampled_from([-40.0, 20.0, 60.0]))
@settings(deadline=None)
def test_a_bolt_that_moved_does_not_drag_the_others_along(shift_mm, moved, step_mm):
    after = shifted(some_bolts(), shift_mm)
    after[moved] = shifted([after[moved]], step_mm)[0]
    found = compare_run(a_run(some_bolts()), a_run(after), "along")
    assert [pair.first.mark for pair in found.pairs if pair.place == "moved"] == [f"N{moved + 1}"]
    assert found.differs


# Cards numbered from the other end


def numbered_from_the_other_end(bolts: Sequence[BoltRecord], zero_mm: float = 5000.0) -> list[BoltRecord]:
    turned = [
        leaning(
            replace(bolt, station_mm=zero_mm - (bolt.station_mm or 0.0)),
            -(bolt.lean_along_mm or 0.0),
            bolt.lean_across_mm or 0.0,
        )
        for bolt in reversed(bolts)
    ]
    return [replace(bolt, mark=f"N{count}") for count, bolt in enumerate(turned, start=1)]


def an_even_run() -> list[BoltRecord]:
    even = [100.0 + 1200.0 * place for place in range(5)]
    return [
        replace(bolt, setback_mm=at) for bolt, at in zip(some_bolts(even), (70.0, 71.0, 72.0, 73.0, 80.0), strict=True)
    ]


@pytest.mark.parametrize("bolts", [an_even_run(), some_bolts(), some_bolts([100.0, 1300.0, 2450.0, 3700.0, 4800.0])])
def test_cards_numbered_from_the_other_end_give_no_false_moves_and_are_told(bolts):
    rng = np.random.default_rng(RNG_SEED)
    found = compare_run(a_run(bolts), a_run(noisy(numbered_from_the_other_end(bolts), rng)))
    assert found.order == "turned"
    assert [(pair.place, pair.lean) for pair in found.pairs] == [("same", "same")] * 5
    assert [(pair.first.mark, pair.second.mark) for pair in found.pairs] == [
        (f"N{place}", f"N{6 - place}") for place in range(1, 6)
    ]
    assert -found.along_shift_mm == pytest.approx(5000.0, abs=1.0)
    assert found.differs
    assert compare_run(a_run(bolts), a_run(bolts)).order == "same"


@pytest.mark.parametrize("apart_mm", [(1200.0, 1200.0), (700.0, 1800.0)])
def test_straightening_is_not_taken_for_cards_numbered_from_the_other_end(apart_mm):
    """Half of the bolts straightened, the run so even that both ends look alike, or not."""
    rng = np.random.default_rng(RNG_SEED)
    for _ in range(100):
        before = [leaning(bolt, *rng.normal(0.0, 4.0, 2)) for bolt in some_bolts(rng.uniform(*apart_mm, 5).cumsum())]
        after = [leaning(bolt, *rng.normal(0.0, 1.0, 2)) if rng.random() < 0.5 else bolt for bolt in before]
        assert compare_run(a_run(noisy(before, rng)), a_run(noisy(after, rng))).order != "turned"


def test_a_bolt_that_moved_shows_with_the_cards_numbered_from_the_other_end():
    after = an_even_run()
    after[1] = replace(after[1], setback_mm=78.0)
    found = compare_run(a_run(an_even_run()), a_run(numbered_from_the_other_end(after)))
    assert (found.order, by_mark(found)["N2"][0], places(found).count("moved")) == ("turned", "moved", 1)


def test_one_bolt_that_moved_or_the_other_end_is_told_as_doubtful():
    """Bolts at 0, 1200 and 2450 mm, then at 0, 1250 and 2450: the second moved, or the cards were numbered anew."""
    before, after = (
        [leaning(replace(bolt, setback_mm=70.0), 0.0, 4.0) for bolt in some_bolts(at)]
        for at in ([0.0, 1200.0, 2450.0], [0.0, 1250.0, 2450.0])
    )
    found = compare_run(a_run(before), a_run(after))
    assert (found.order, places(found), found.differs) == ("cannot tell", ["same", "moved", "same"], True)


def test_stations_taken_as_they_are_are_not_turned_either():
    found = compare_run(a_run(an_even_run()), a_run(numbered_from_the_other_end(an_even_run())), "none")
    assert (found.order, found.differs) == ("cannot tell", True)


# Which edge of the plate the line marks


def from_the_other_edge(bolts: Sequence[BoltRecord], width_mm: float) -> list[BoltRecord]:
    return [
        replace(bolt, setback_mm=width_mm - (bolt.setback_mm or 0.0), lean_across_mm=-(bolt.lean_across_mm or 0.0))
        for bolt in bolts
    ]


def test_a_line_on_the_plates_other_edge_is_no_move():
    one = replace(a_run(some_bolts()), line_marks="inside")
    other = replace(a_run(from_the_other_edge(some_bolts(), 139.7)), line_marks="outside")
    found = compare_run(one, other)
    assert (found.edges, found.differs) == ("converted", False)
    assert [(pair.place, pair.lean) for pair in found.pairs] == [("same", "same")] * 5
    assert [pair.second.setback_mm for pair in found.pairs] == [bolt.setback_mm for bolt in other.bolts]


def test_of_plates_of_two_widths_marked_on_two_edges_setbacks_cannot_be_told():
    one = replace(a_run(some_bolts()), line_marks="inside")
    found = compare_run(one, replace(a_run(some_bolts()), line_marks="outside", plate_width_mm=88.9))
    assert (found.edges, places(found)) == ("cannot tell", ["cannot tell"] * 5)
    assert all(pair.setback is None for pair in found.pairs)


def test_plates_of_two_widths_marked_on_one_edge_are_compared_and_told():
    found = compare_run(a_run(some_bolts()), replace(a_run(some_bolts()), plate_width_mm=88.9))
    assert (places(found), found.edges, found.differs) == (["same"] * 5, "alike", True)
    written = compare_run(a_run(some_bolts()), replace(a_run(some_bolts()), plate_width_mm=140.0))
    assert not written.differs  # 5 1/2 in and 140 mm are one width


# The command


def drawn(folder: Path, shift_mm: float) -> Path:
    lines = [f"{(bolt.station_mm or 0.0) + shift_mm} mm,{bolt.setback_mm} mm" for bolt in some_bolts()]
    return design(folder, "\n".join(["station,setback", *lines]))


@pytest.mark.parametrize("shift_mm", [60.0, -60.0, 1200.0])
def test_a_run_built_off_its_design_is_not_as_drawn_unless_the_shift_is_asked_to_be_taken_off(tmp_path, shift_mm):
    built = folder_of(tmp_path / "a", [leaning(bolt, 0.0, 0.0) for bolt in some_bolts()])
    status, table, _ = run_compare(drawn(tmp_path, shift_mm), built)
    told = " ".join(table.split())
    assert status == 1
    assert told.count("as drawn") == 0
    assert "5 of 5 bolts read" in told
    assert "That is not taken off." in told
    status, table, _ = run_compare(drawn(tmp_path, shift_mm), built, "--align", "along")
    assert (status, table.count("as drawn")) == (0, 5)
    assert "as asked with --align along" in " ".join(table.split())


def test_a_design_counts_setbacks_from_the_edge_that_the_line_marks(tmp_path):
    bolts = tuple(leaning(bolt, 0.0, 0.0) for bolt in some_bolts())
    built = replace(a_run(bolts), line_marks="inside", plate_width_mm=184.2)
    write_survey(Survey("Lot 7", (built,), (), ()), tmp_path / "survey.json")
    status, table, _ = run_compare(drawn(tmp_path, 0.0), tmp_path / "survey.json")
    assert (status, table.count("as drawn")) == (0, 5)


def test_csv_and_json_tell_the_shift_the_order_and_the_edges(tmp_path):
    one = folder_of(tmp_path / "a", an_even_run())
    other = folder_of(tmp_path / "b", shifted(an_even_run()[1:], 333.0))
    rows = list(csv.DictReader(io.StringIO(run_compare(one, other, "--as", "csv")[1].lstrip("\ufeff"))))
    assert {(row["along_shift_mm"], row["along_seen_mm"], row["ambiguous"], row["order"]) for row in rows} == {
        ("333.00", "333.00", "yes", "same")
    }
    (found,) = json.loads(run_compare(one, other, "--as", "json")[1])["runs"]
    assert (found["along_shift_mm"], found["ambiguous"], found["order"], found["edges"]) == (
        pytest.approx(333.0), True, "same", "alike",
    )  # fmt: skip


@pytest.mark.parametrize(
    ("other", "told"),
    [
        (a_run(numbered_from_the_other_end(some_bolts())), "counted from the other end"),
        (a_run(shifted(some_bolts(), 50.8)), '5 of 5 bolts read 2" farther along in the second. That is taken off all'),
        (replace(a_run(some_bolts()), line_marks="inside"), "by the plate's width of 5 1/2\""),
        (replace(a_run(some_bolts()), plate_width_mm=88.9), 'the plate is 5 1/2" wide in the first and 3 1/2"'),
        (replace(a_run(some_bolts()), line_marks="inside", plate_width_mm=88.9), "setbacks cannot be compared"),
    ],
)
def test_what_the_two_do_not_count_alike_is_told_in_words_and_on_the_picture(tmp_path, other, told):
    one = folder_of(tmp_path / "a", some_bolts())
    write_survey(Survey("Lot 7", (other,), (), ()), tmp_path / "survey.json")
    status, table, _ = run_compare(one, tmp_path / "survey.json", "-o", tmp_path / "c.svg")
    assert status == 1
    assert told in " ".join(table.split())
    assert told in " ".join(" ".join(ElementTree.parse(tmp_path / "c.svg").getroot().itertext()).split())
