"""Cleared to drill: a word counts with its reason, for the numbers it was said of, and makes no missing number good."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from judge_runs import a_bolt, a_run
from sillwright.decisions import (
    DECISIONS_FILE,
    Decision,
    Decisions,
    bolt_as_it_stands,
    read_decisions,
    run_as_it_stands,
    write_decisions,
)
from sillwright.errors import JobError
from sillwright.judge.clearance import clearance
from sillwright.survey import BoltRecord, Finding, RunRecord

NOW = datetime(2026, 11, 26, 9, 30, tzinfo=UTC)


def run_with(*statuses: str, status: str = "ok", reasons: tuple[Finding, ...] = ()) -> RunRecord:
    bolts = [replace(a_bolt(f"N{k}", 1000.0 * k, 70.0), status=one) for k, one in enumerate(statuses, start=1)]
    return replace(a_run(bolts), status=status, reasons=reasons)


def said(run: RunRecord, bolt: BoltRecord | None, verdict: str = "accepted", word: str = "taped, 2 3/4 in") -> Decision:
    stood = run_as_it_stands(run) if bolt is None else bolt_as_it_stands(bolt)
    mark = "" if bolt is None else bolt.mark
    return Decision(run=run.name, mark=mark, verdict=verdict, word=word, by="", at=NOW, stood=stood)


def test_a_run_whose_bolts_are_all_ok_needs_no_word() -> None:
    found = clearance(run_with("ok", "ok"), Decisions())
    assert found.cleared
    assert found.waiting == ()


def test_a_run_without_bolts_is_never_cleared() -> None:
    assert not clearance(run_with(), Decisions()).cleared


def test_a_bolt_to_check_waits_until_it_is_accepted_with_a_reason() -> None:
    run = run_with("ok", "check", status="check")
    assert [one.mark for one in clearance(run, Decisions()).waiting] == ["N2"]
    bare = Decisions(said=(said(run, run.bolts[1], word="  "),))
    assert [one.standing for one in clearance(run, bare).waiting] == ["open"]
    assert clearance(run, Decisions(said=(said(run, run.bolts[1]),))).cleared


def test_no_word_makes_a_number_that_is_missing_good() -> None:
    run = run_with("ok", "reshoot", status="check")
    found = clearance(run, Decisions(said=(said(run, run.bolts[1]),)))
    assert [(one.mark, one.standing) for one in found.waiting] == [("N2", "no number")]


def test_a_bolt_sent_back_waits_though_it_is_ok_and_the_newest_word_counts() -> None:
    run = run_with("ok")
    back = Decisions(said=(said(run, run.bolts[0], "sent back", "look at it again"),))
    assert [one.standing for one in clearance(run, back).waiting] == ["sent back"]
    assert clearance(run, back.with_one(said(run, run.bolts[0]))).cleared


@given(st.sampled_from(["station_mm", "setback_mm", "lean_deg", "stickup_mm"]), st.floats(0.01, 50.0))
def test_a_word_lapses_when_any_number_of_the_bolt_changes(number: str, by: float) -> None:
    run = run_with("check", status="check")
    decisions = Decisions(said=(said(run, run.bolts[0]),))
    moved = replace(run.bolts[0], **{number: (getattr(run.bolts[0], number) or 0.0) + by})
    found = clearance(replace(run, bolts=(moved,)), decisions)
    assert [one.standing for one in found.waiting] == ["open"]
    assert found.bolts[0].lapsed is not None


def test_what_is_said_of_the_whole_run_wants_a_word_of_its_own() -> None:
    run = run_with("ok", status="check", reasons=(Finding("stands-unmeasured", (), (), 1500.0),))
    assert [one.mark for one in clearance(run, Decisions()).waiting] == [""]
    assert clearance(run, Decisions(said=(said(run, None),))).cleared


def test_decisions_come_back_as_they_were_written(tmp_path: Path) -> None:
    run = run_with("check")
    kept = Decisions(said=(said(run, run.bolts[0]), said(run, None, "sent back", "línea borrosa")))
    write_decisions(kept, tmp_path)
    assert read_decisions(tmp_path) == kept
    assert [path.name for path in tmp_path.iterdir()] == [DECISIONS_FILE]


def test_where_nothing_was_said_there_are_no_decisions(tmp_path: Path) -> None:
    assert read_decisions(tmp_path) == Decisions()


@pytest.mark.parametrize("content", ["", "[]", '{"format": 2, "said": []}', '{"said": [{"run": "north"}]}', "\x00"])
def test_a_file_that_holds_no_decisions_is_named_and_not_guessed_at(content: str, tmp_path: Path) -> None:
    (tmp_path / DECISIONS_FILE).write_text(content)
    with pytest.raises(JobError, match=r"decisions\.json holds no decisions"):
        read_decisions(tmp_path)
