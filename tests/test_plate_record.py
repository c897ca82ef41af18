"""plates.json is read back as it was written, keeps its published schema, and is never half there."""

import json
from dataclasses import fields, replace

import pytest

from plate_plans import example_plan
from sillwright.errors import JobError
from sillwright.judge.rules import RuleSet
from sillwright.plates.record import RULE_KEYS, SCHEMA
from sillwright.plates.record_file import SCHEMA_FILE, json_schema, read_plan, to_json, write_plan


def test_a_plan_comes_back_from_its_file_as_it_was(tmp_path):
    plan = example_plan()
    write_plan(plan, tmp_path / "plates.json")
    assert read_plan(tmp_path / "plates.json") == plan
    assert [path.name for path in tmp_path.iterdir()] == ["plates.json"]


def test_a_number_without_end_is_null_in_the_file_as_json_has_none():
    plan = example_plan()
    bolt = plan.runs[0].bolts[0]
    endless = replace(bolt, passing=replace(bolt.passing, hole_needed_high_mm=float("inf")))
    runs = (replace(plan.runs[0], bolts=(endless,)),)
    assert to_json(replace(plan, runs=runs))["runs"][0]["bolts"][0]["passing"]["hole_needed_high_mm"] is None


def test_the_schema_in_the_package_is_the_one_the_record_has():
    """Where the record was changed on purpose, DEVELOPERS.md tells how to write the file again."""
    assert json.loads(SCHEMA_FILE.read_text()) == json_schema()
    assert json_schema()["properties"]["schema"]["const"] == SCHEMA


def test_a_plan_of_another_schema_or_no_plan_is_told_of_in_a_sentence(tmp_path):
    path = tmp_path / "plates.json"
    with pytest.raises(JobError, match="is not a plan this version can read"):
        read_plan(path)
    body = to_json(example_plan())
    for wrong, told in (({**body, "schema": "x"}, "has the schema 'x'"), ({**body, "runs": 3}, "1 faults")):
        path.write_text(json.dumps(wrong))
        with pytest.raises(JobError, match=told):
            read_plan(path)
    path.write_text("[1]")
    with pytest.raises(JobError, match="has the schema None"):
        read_plan(path)


def test_every_figure_of_a_rule_set_has_its_place_in_the_record():
    assert set(RULE_KEYS) == {field.name for field in fields(RuleSet)} - {"name", "seismic"}
