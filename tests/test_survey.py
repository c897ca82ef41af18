"""The record of a job: out to survey.json and back, and never half of a file."""

from __future__ import annotations

import json
import os
import re
import threading
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from plate_jobs import a_survey
from sillwright.errors import JobError
from sillwright.survey import (
    STATUS_ORDER,
    BoltRecord,
    BoltU95,
    CameraRecord,
    CardRecord,
    CornerRecord,
    EdgeRecord,
    Finding,
    PhotoRecord,
    RunRecord,
    Survey,
    ViewRecord,
    worst,
)
from sillwright.survey_file import read_survey, to_json, write_survey
from sillwright.whole_file import write_aside

WORDS = st.text(st.characters(codec="utf-8", exclude_characters="\0\x1b"), max_size=12)
LENGTHS = st.integers(-(10**12), 10**12).map(lambda n: n / 1e6)  # the record keeps a millionth of a millimetre
MAYBE = st.none() | LENGTHS
STATUS = st.sampled_from(STATUS_ORDER)
FEW = 2


def several(one: st.SearchStrategy[Any]) -> st.SearchStrategy[tuple[Any, ...]]:
    return st.lists(one, max_size=FEW).map(tuple)


FINDINGS = several(st.builds(Finding, WORDS, several(WORDS), several(st.integers(1, 20)), MAYBE))
BOLTS = st.builds(
    BoltRecord,
    *(WORDS, MAYBE, MAYBE, MAYBE, MAYBE, MAYBE, MAYBE, st.sampled_from(["photos", "stated", None]), LENGTHS),
    *(st.builds(BoltU95, *[st.none() | LENGTHS.map(abs)] * 6), several(WORDS), STATUS, FINDINGS),
)
CARDS = st.builds(CardRecord, st.integers(1, 20), LENGTHS, LENGTHS, LENGTHS, LENGTHS, FINDINGS)
RUNS = st.builds(
    RunRecord,
    *(WORDS, STATUS, FINDINGS, several(BOLTS), several(CARDS), st.sampled_from(["outside", "inside"])),
    *(st.none() | WORDS, LENGTHS, st.sampled_from(["check length", "tape", "bolts", "print"]), LENGTHS),
    several(st.builds(EdgeRecord, LENGTHS, LENGTHS)),
)
CORNERS = st.builds(
    CornerRecord, st.tuples(WORDS, WORDS), MAYBE, MAYBE, st.dictionaries(WORDS, LENGTHS, max_size=2), STATUS, FINDINGS
)
ROW = st.tuples(LENGTHS, LENGTHS, LENGTHS)
MATRIX = st.tuples(ROW, ROW, ROW)
PHOTOS = st.builds(
    PhotoRecord,
    *(WORDS, st.booleans(), STATUS, FINDINGS, WORDS, st.integers(1, 8), several(st.integers(1, 20))),
    st.none() | st.builds(CameraRecord, st.integers(1, 9000), st.integers(1, 9000), MATRIX, st.tuples(*[LENGTHS] * 5)),
    several(st.builds(ViewRecord, WORDS, MATRIX, ROW)),
)


def named_apart(survey: Survey) -> Survey:
    """No two runs, bolts or photos of one name, as measure writes them."""
    runs = []
    for at, run in enumerate(survey.runs):
        bolts = (replace(bolt, mark=f"{bolt.mark}{at}.{place}") for place, bolt in enumerate(run.bolts))
        runs.append(replace(run, name=f"{run.name}{at}", bolts=tuple(bolts)))
    photos = (replace(photo, file=f"{photo.file}{place}") for place, photo in enumerate(survey.photos))
    return replace(survey, runs=tuple(runs), photos=tuple(photos))


SURVEYS = st.builds(Survey, WORDS, several(RUNS), several(CORNERS), several(PHOTOS), WORDS, WORDS).map(named_apart)


@settings(max_examples=40, deadline=None)
@given(SURVEYS)
def test_a_survey_comes_back_as_it_was_written(tmp_path_factory: pytest.TempPathFactory, survey: Survey) -> None:
    path = tmp_path_factory.mktemp("survey") / "survey.json"
    write_survey(survey, path)
    assert read_survey(path) == survey


@settings(max_examples=40, deadline=None)
@given(SURVEYS)
def test_reasons_are_plain_codes_each_once_with_what_they_speak_of_beside_them(survey: Survey) -> None:
    body = json.loads(json.dumps(to_json(survey)))
    assert body["format"] == 1
    for run, record in zip(body["runs"], survey.runs, strict=True):
        codes = [finding.code for finding in record.reasons]
        assert run["reasons"] == list(dict.fromkeys(codes))
        assert [finding["code"] for finding in run["findings"]] == codes


KEYS = {
    "run": {"name", "status", "reasons", "bolts", "cards"},
    "bolt": {
        *("mark", "station_mm", "setback_mm", "lean_along_mm", "lean_across_mm", "lean_deg", "stickup_mm"),
        *("stickup_from", "diameter_mm", "u95", "photos", "status", "reasons"),
    },
    "u95": {"station_mm", "setback_mm", "lean_along_mm", "lean_across_mm", "lean_deg", "stickup_mm"},
    "card": {"number", "station_mm", "setback_mm", "turn_deg"},
    "corner": {"runs", "angle_deg", "u95_deg", "station_mm", "status", "reasons"},
    "photo": {"file", "used", "status", "reasons"},
}


def test_the_keys_other_tools_read_are_all_there() -> None:
    """The published form of survey.json: keys may be added and none taken away."""
    bolt = BoltRecord("N1", 1.0, 2.0, 0.0, 0.0, 0.0, 80.0, "photos", 12.7, BoltU95(), ("a.jpg",), "ok")
    run = RunRecord("north", "ok", (), (bolt,), (CardRecord(1, 0.0, 31.0, 1.2),))
    corner = CornerRecord(("north", "east"), 90.0, 0.1, {"north": 1.0, "east": 2.0})
    body = to_json(Survey("Lot 7", (run,), (corner,), (PhotoRecord("a.jpg", True, "ok"),)))
    assert {"format", "runs", "corners", "photos"} <= set(body)
    for kind, part in (
        ("run", body["runs"][0]),
        ("bolt", body["runs"][0]["bolts"][0]),
        ("u95", body["runs"][0]["bolts"][0]["u95"]),
        ("card", body["runs"][0]["cards"][0]),
        ("corner", body["corners"][0]),
        ("photo", body["photos"][0]),
    ):
        assert KEYS[kind] <= set(part), kind


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("", "Run measure again"),
        ("[1, 2]", "Run measure again"),
        ('{"format": 1}', "Run measure again"),
        ('{"format": 2, "name": "x"}', "format 2"),
        ('{"format": 1, "name": "x", "runs": [{"name": "n"}], "corners": [], "photos": []}', "Run measure again"),
        ('{"format": 1, "name": "x", "runs": 5, "corners": [], "photos": []}', "Run measure again"),
    ],
)
def test_a_file_that_is_no_survey_is_refused_with_what_to_do(tmp_path: Path, text: str, said: str) -> None:
    path = tmp_path / "survey.json"
    path.write_text(text)
    with pytest.raises(JobError, match=said) as caught:
        read_survey(path)
    assert "survey.json" in str(caught.value)


@pytest.mark.parametrize(
    ("keys", "value", "said"),
    [
        (("runs", 0, "bolts", 0, "station_mm"), float("nan"), "N1: station_mm is nan"),
        (("runs", 0, "bolts", 0, "setback_mm"), "70 mm", "setback_mm is '70 mm'"),
        (("runs", 0, "bolts", 0, "setback_mm"), True, "setback_mm is True"),
        (("runs", 0, "bolts", 0, "u95", "setback_mm"), -0.5, "half-width of setback_mm is -0.5"),
        (("runs", 0, "bolts", 0, "status"), "fine", "N1: the status is 'fine'"),
        (("runs", 0, "bolts", 0, "mark"), "N2", 'bolt "N2" is there 2 times'),
        (("runs", 0, "scale_u95_ratio"), float("inf"), "north: scale_u95_ratio is inf"),
        (("runs", 1, "name"), "north", 'run "north" is there 2 times'),
        (("corners", 0, "station_mm", "north"), None, "station_mm holds nothing"),
        (("corners", 0, "station_mm", "north"), "5 m", "station_mm is '5 m'"),
    ],
)
def test_a_record_that_somebody_changed_into_what_no_measurement_writes_is_refused(
    tmp_path: Path, keys: tuple[Any, ...], value: Any, said: str
) -> None:
    path = tmp_path / "survey.json"
    body = to_json(a_survey())
    part = body
    for key in keys[:-1]:
        part = part[key]
    part[keys[-1]] = value
    path.write_text(json.dumps(body))
    with pytest.raises(JobError, match=re.escape(said)):
        read_survey(path)


def test_a_missing_survey_is_refused_with_its_name(tmp_path: Path) -> None:
    with pytest.raises(JobError, match=r"survey\.json"):
        read_survey(tmp_path / "survey.json")


@pytest.mark.parametrize(("statuses", "expected"), [((), "ok"), (("ok", "check"), "check"), (STATUS_ORDER, "reshoot")])
def test_the_worst_status_stands_for_all(statuses: tuple[Any, ...], expected: str) -> None:
    assert worst(*statuses) == expected


# ---- never half of a file ---------------------------------------------------------------------------------------


@pytest.mark.parametrize("step", ["fsync", "replace", "chmod"])
def test_when_writing_fails_the_old_file_stays_and_nothing_is_left_beside_it(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, step: str
) -> None:
    path = tmp_path / "survey.json"
    write_aside(path, b"old")

    def fail(*_: object, **__: object) -> None:
        raise OSError("no space left on device")

    if step == "fsync":
        monkeypatch.setattr(os, "fsync", fail)
    else:
        monkeypatch.setattr(Path, step, fail)
    with pytest.raises(OSError, match="no space"):
        write_aside(path, b"new" * 1000)
    monkeypatch.undo()
    assert path.read_bytes() == b"old"
    assert list(tmp_path.iterdir()) == [path]


def test_an_interrupt_leaves_the_old_file_too(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    path = tmp_path / "survey.json"
    write_aside(path, b"old")

    def interrupt(*_: object) -> None:
        raise KeyboardInterrupt

    monkeypatch.setattr(os, "fsync", interrupt)
    with pytest.raises(KeyboardInterrupt):
        write_aside(path, b"new")
    assert path.read_bytes() == b"old"
    assert list(tmp_path.iterdir()) == [path]


def test_whoever_reads_while_it_is_written_sees_all_of_one_or_all_of_the_other(tmp_path: Path) -> None:
    path = tmp_path / "survey.json"
    contents = (b"a" * 200_000, b"b" * 300_000)
    write_aside(path, contents[0])
    stop, odd = threading.Event(), []

    def read() -> None:
        while not stop.is_set():
            seen = path.read_bytes()
            if seen not in contents:
                odd.append(len(seen))

    reader = threading.Thread(target=read)
    reader.start()
    for k in range(60):
        write_aside(path, contents[k % 2])
    stop.set()
    reader.join()
    assert odd == []


def test_folders_on_the_way_are_made_and_others_may_read_the_file(tmp_path: Path) -> None:
    path = tmp_path / "results" / "north" / "survey.json"
    write_aside(path, b"x")
    assert path.read_bytes() == b"x"
    assert path.stat().st_mode & 0o777 == 0o644
