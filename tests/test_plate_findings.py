"""Every code of a plan has a sentence that can be acted on, filled or not, and its row in the README."""

from __future__ import annotations

import re
from pathlib import Path
from typing import get_args

import pytest

from sillwright.judge.verdicts import CheckKey
from sillwright.plates.findings import PlanCode, PlanFinding
from sillwright.plates.record_file import json_schema
from sillwright.plates.splice_findings import SpliceCode
from sillwright.tell.plate_findings import about, explain_plan
from sillwright.tell.plate_sentences import PLAN_SENTENCES, RULE_WORDS

README = (Path(__file__).resolve().parents[1] / "README.md").read_text(encoding="utf-8")
CODES = (*get_args(PlanCode), *get_args(SpliceCode))


def plan_row(code: str) -> str:
    """The row of the README's table for a code."""
    return f"| `{code}` | {explain_plan(PlanFinding(code))} |"


def test_every_code_has_a_sentence_and_every_rule_its_words() -> None:
    assert set(PLAN_SENTENCES) == set(CODES)
    assert set(RULE_WORDS) == set(get_args(CheckKey))


@pytest.mark.parametrize("code", CODES)
def test_every_code_has_its_row_in_the_readme(code: str) -> None:
    assert plan_row(code) in README.splitlines()


@pytest.mark.parametrize("code", CODES)
def test_a_sentence_reads_well_with_all_and_with_nothing_filled_in(code: str) -> None:
    full = PlanFinding(
        code, run="north", corner=("north", "east"), marks=("N1", "N2"), piece="north 1.1", layer=2, station_mm=304.8,
        value_mm=6.35, count=3, rule="spacing", key="[run.ends]", told="It was not measured.", facts=("bent",),
    )  # fmt: skip
    for finding in (PlanFinding(code), full):
        told = explain_plan(finding)
        assert told[0].isupper() or told[0].isdigit()
        assert told.endswith(".")
        assert not re.search(r"[{}|]|  |\( |\.\.| ,", told)
    assert "1' 0\"" in explain_plan(full) or "{station" not in "".join(PLAN_SENTENCES[code])


@pytest.mark.parametrize(("station_mm", "told"), [(-109.5, 'station 4 5/16" back'), (109.5, 'station 4 5/16":')])
def test_a_station_before_the_zero_mark_is_so_far_back_as_on_every_other_sheet(station_mm: float, told: str) -> None:
    assert told in explain_plan(PlanFinding("joint-needs-anchor", station_mm=station_mm)).replace(" wants", ": wants")


def test_every_part_of_the_plan_is_told_in_the_readme() -> None:
    told = README.split("plates.json keeps the JSON Schema")[1].split("\n## ")[0]
    assert {key for key in json_schema()["properties"] if f"`{key}`" not in told} == set()


def test_who_a_finding_is_about_is_the_run_the_corner_or_the_job() -> None:
    assert about(PlanFinding("run-check", run="north")) == "Run north"
    assert about(PlanFinding("corner-check", corner=("north", "east"))) == "Corner"
    assert about(PlanFinding("cut-list-not-proven")) == "The job"
