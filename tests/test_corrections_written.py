"""corrections.toml as it is written: what comes back, what a person wrote there, and two who write at once."""

from __future__ import annotations

import multiprocessing
import tempfile
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from sillwright.corrections_file import (
    BEFORE,
    CORRECTIONS,
    MOST_ENTRIES,
    SETBACK_RANGE_MM,
    CorrectionsTable,
    StrikeTable,
    change_corrections,
    corrections_text,
    read_corrections,
)
from sillwright.errors import JobError

BY_A_PERSON = """# taped twice, J. said so
[[bolt]]
run = "north"
photo = "n1.png"
kind = "moved"
station = "3 ft 1 1/3 in"   # by the door
setback = "2 13/16 in"
tip_px = [12, 13.25]

[[line]]
run = "east"
photo = "e1.png"
points_px = [[1, 2], [300, 4]]
on = "Tuesday"
"""

words = st.text(st.characters(exclude_characters="\x00", exclude_categories=("Cs", "Cc")), min_size=1, max_size=20)
said = st.none() | words.filter(lambda text: text.strip() == text)
names = words.filter(lambda text: text.strip() == text)
pixels = st.tuples(*[st.floats(-1e4, 1e5)] * 2)


def lengths(low_mm: float, high_mm: float) -> st.SearchStrategy[str]:
    """As people and programs write them."""
    plain = st.floats(low_mm, high_mm).map(lambda mm: f"{mm:.9f} mm")
    return plain | st.integers(int(low_mm), int(high_mm)).map(lambda mm: f"{mm} 1/3 mm" if mm >= 0 else f"{mm} mm")


places = {"station": lengths(-9000.0, 90000.0), "setback": lengths(SETBACK_RANGE_MM[0] + 1, SETBACK_RANGE_MM[1] - 1)}
spoken = {"run": names, "by": said, "on": said}
tables = st.fixed_dictionaries(
    {
        "bolt": st.lists(
            st.fixed_dictionaries(
                {
                    **spoken,
                    **places,
                    "photo": words,
                    "kind": st.sampled_from(("moved", "missed")),
                    "base_px": st.none() | pixels,
                    "tip_px": st.none() | pixels,
                }
            ),
            max_size=4,
        ),
        "strike": st.lists(st.fixed_dictionaries({**spoken, **places}), max_size=3),
        "line": st.lists(
            st.fixed_dictionaries({**spoken, "photo": words, "points_px": st.tuples(pixels, pixels)}), max_size=3
        ),
    }
).map(CorrectionsTable.model_validate)


def a_strike(mark: int | str) -> StrikeTable:
    return StrikeTable.model_validate({"run": f"run {mark}", "station": "2 ft", "setback": "2 in"})


def adding(entry: StrikeTable):
    return lambda table: table.model_copy(update={"strike": (*table.strike, entry)})


@settings(deadline=None)
@given(tables)
def test_what_is_written_reads_back_as_it_was(table: CorrectionsTable) -> None:
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        change_corrections(folder, lambda _: table)
        there = read_corrections(folder)
        assert (there or CorrectionsTable()) == table
        assert (there is None) == (table == CorrectionsTable())


@settings(deadline=None)
@given(tables, tables)
def test_what_was_not_touched_stays_whatever_is_added(before: CorrectionsTable, added: CorrectionsTable) -> None:
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        change_corrections(folder, lambda _: before)
        change_corrections(folder, lambda now: now.model_copy(update={"bolt": (*now.bolt, *added.bolt)}))
        there = read_corrections(folder) or CorrectionsTable()
        assert there.bolt == (*before.bolt, *added.bolt)
        assert (there.strike, there.line) == (before.strike, before.line)


def test_entries_of_a_person_stay_and_their_file_is_kept_with_its_remarks(tmp_path: Path) -> None:
    (tmp_path / CORRECTIONS).write_text(BY_A_PERSON)
    by_a_person = read_corrections(tmp_path)
    change_corrections(tmp_path, adding(a_strike(1)))
    there = read_corrections(tmp_path)
    assert (there.bolt, there.line) == (by_a_person.bolt, by_a_person.line)
    assert (tmp_path / BEFORE).read_text() == BY_A_PERSON
    # Written again, nothing more is lost, so what is kept stays what the person wrote.
    change_corrections(tmp_path, adding(a_strike(2)))
    assert (tmp_path / BEFORE).read_text() == BY_A_PERSON


def test_a_file_that_holds_nothing_but_tables_is_not_kept_twice(tmp_path: Path) -> None:
    change_corrections(tmp_path, adding(a_strike(1)))
    change_corrections(tmp_path, adding(a_strike(2)))
    assert sorted(path.name for path in tmp_path.iterdir()) == [CORRECTIONS]


def test_where_all_is_taken_back_there_is_no_file(tmp_path: Path) -> None:
    change_corrections(tmp_path, adding(a_strike(1)))
    change_corrections(tmp_path, lambda _: CorrectionsTable())
    assert list(tmp_path.iterdir()) == []


def test_a_change_that_is_not_carried_out_leaves_the_file_as_it_was(tmp_path: Path) -> None:
    (tmp_path / CORRECTIONS).write_text(BY_A_PERSON)

    def refuses(table: CorrectionsTable) -> CorrectionsTable:
        raise JobError("no")

    with pytest.raises(JobError):
        change_corrections(tmp_path, refuses)
    change_corrections(tmp_path, lambda table: table)
    many = tuple(a_strike(k) for k in range(MOST_ENTRIES))
    with pytest.raises(JobError, match=f"more than {MOST_ENTRIES} corrections"):
        change_corrections(tmp_path, lambda table: table.model_copy(update={"strike": many}))
    assert (tmp_path / CORRECTIONS).read_text() == BY_A_PERSON
    assert [path.name for path in tmp_path.iterdir()] == [CORRECTIONS]


def test_a_file_that_cannot_be_read_is_not_written_over(tmp_path: Path) -> None:
    (tmp_path / CORRECTIONS).write_text("[[bolt]]\nrun = 5\n")
    with pytest.raises(JobError, match="run is 5"):
        change_corrections(tmp_path, adding(a_strike(1)))
    assert (tmp_path / CORRECTIONS).read_text() == "[[bolt]]\nrun = 5\n"


def test_of_many_who_write_at_once_none_loses_an_entry(tmp_path: Path) -> None:
    with ThreadPoolExecutor(8) as crew:
        list(crew.map(lambda k: change_corrections(tmp_path, adding(a_strike(k))), range(24)))
    assert {one.run for one in read_corrections(tmp_path).strike} == {f"run {k}" for k in range(24)}


def _write_some(folder: str, who: str) -> None:
    for k in range(10):
        change_corrections(Path(folder), adding(a_strike(f"{who}{k}")))


def test_two_processes_that_write_at_once_lose_nothing_either(tmp_path: Path) -> None:
    start = multiprocessing.get_context("spawn")
    crew = [start.Process(target=_write_some, args=(str(tmp_path), who)) for who in "ab"]
    for one in crew:
        one.start()
    for one in crew:
        one.join()
    assert len(read_corrections(tmp_path).strike) == 20


def test_a_person_can_read_what_was_written() -> None:
    table = CorrectionsTable(strike=(a_strike(1),))
    assert corrections_text(table) == ('[[strike]]\nrun = "run 1"\nstation = "609.6 mm"\nsetback = "50.8 mm"\n')
