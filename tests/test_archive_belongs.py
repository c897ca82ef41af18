"""What was not measured or planned together is not sealed together; what cannot be told is said."""

from __future__ import annotations

import json
import shutil
from dataclasses import replace
from pathlib import Path

import pytest
from click.testing import CliRunner, Result

from archive_jobs import SmallJob, a_job, a_profile, list_sums, sealed
from sillwright.archive.belongs import MEASURE_LEAVES, PLATES_LEAVE
from sillwright.archive.package import read_record
from sillwright.cli.app import app
from sillwright.decisions import Decisions, read_decisions, write_decisions
from sillwright.errors import ArchiveError, JobError
from sillwright.plates.record_file import read_plan
from sillwright.profile import write_profile
from sillwright.sums import MEASURED, PLANNED, read_sums
from sillwright.survey_file import read_survey
from sillwright.tell.plate_files import STRIP_FOLDER, TABLES
from sillwright.tell.report import PICTURE_FOLDER, sheet_paths

LEVELS = "run,station,reading\nnorth,-1 ft,48 in\nnorth,9 ft,48 1/16 in\n"


def run(*words: object) -> Result:
    return CliRunner().invoke(app, [str(word) for word in words])


def planned(folder: Path, name: str = "Lot 7, garage") -> SmallJob:
    job = a_job(folder, name=name)
    assert run("plates", job.out).exit_code in (0, 1)
    return job


def move_a_bolt(job: SmallJob) -> None:
    body = json.loads((job.out / "survey.json").read_text())
    body["runs"][0]["bolts"][0]["setback_mm"] += 20.0
    (job.out / "survey.json").write_text(json.dumps(body))


def refused(folder: Path, job: SmallJob, match: str) -> None:
    with pytest.raises((ArchiveError, JobError), match=match):
        sealed(folder / "store", job)
    assert list((folder / "store" / "packages").iterdir()) == [] if (folder / "store").exists() else True


def test_a_profile_that_was_not_measured_with_is_refused(tmp_path):
    job = a_job(tmp_path, profile="phone.json")
    write_profile(a_profile(fx_px=3153.6), job.folder / "phone.json")
    refused(tmp_path, job, r"phone\.json is not the profile that was measured with\. Put that one back")


def test_a_profile_that_is_none_is_refused_where_the_record_cannot_tell(tmp_path):
    job = a_job(tmp_path, profile="phone.json")
    _forget(job, "profile_sha256", "libraries")
    (job.folder / "phone.json").write_text("no JSON")
    refused(tmp_path, job, "not a phone profile")


def _forget(job: SmallJob, *keys: str) -> None:
    """As an older sillwright would have left it."""
    body = json.loads((job.out / "survey.json").read_text())
    (job.out / "survey.json").write_text(json.dumps({key: body[key] for key in body if key not in keys}))
    (job.out / MEASURED).unlink(missing_ok=True)


def test_of_older_results_it_is_said_what_cannot_be_told(tmp_path):
    job = planned(tmp_path)
    (job.out / PLANNED).unlink()
    _forget(job, "libraries", "profile_sha256")
    plan = json.loads((job.out / "plates.json").read_text())
    del plan["libraries"]
    (job.out / "plates.json").write_text(json.dumps(plan))
    done = run("archive", job.out, "-o", tmp_path / "store", "--photos", job.folder)
    assert done.exit_code == 0
    for what in ("which libraries", "there is no measure.sha256", "there is no plates.sha256", "plan again"):
        assert what in done.stderr
    package = tmp_path / "store" / "packages" / "lot-7-garage-2026-05-22"
    assert read_record(package).not_told == ("libraries", "report", "plates")


def test_of_results_of_today_nothing_is_left_to_say(tmp_path):
    job = planned(tmp_path)
    done = run("archive", job.out, "-o", tmp_path / "store", "--photos", job.folder)
    assert done.exit_code == 0
    assert "told" not in done.stderr
    assert read_plan(job.out / "plates.json").libraries


def test_another_jobs_plates_are_refused(tmp_path):
    job, other = planned(tmp_path / "a"), planned(tmp_path / "b", name="Lot 8, house")
    shutil.copy(other.out / "plates.json", job.out / "plates.json")
    refused(tmp_path, job, r"a plan of 'Lot 8, house'")


def test_a_plan_that_is_none_is_refused(tmp_path):
    job = a_job(tmp_path)
    (job.out / "plates.json").write_text("{}")
    refused(tmp_path, job, r"plates\.json has the schema None")


@pytest.mark.parametrize("lists", ["both lists", "no lists"])
def test_a_record_changed_after_its_plates_is_refused(tmp_path, lists):
    job = planned(tmp_path)
    move_a_bolt(job)
    if lists == "no lists":
        (job.out / MEASURED).unlink()
        (job.out / PLANNED).unlink()
    refused(tmp_path, job, r'bolt N1 of run "north" stands otherwise in survey\.json\. Run sillwright plates')


def test_a_record_changed_after_its_report_is_refused(tmp_path):
    job = a_job(tmp_path)
    move_a_bolt(job)
    refused(tmp_path, job, r"survey\.json is not as it was when measure was run")


def test_plates_planned_before_the_last_measurement_are_refused(tmp_path):
    job = planned(tmp_path)
    body = json.loads((job.out / "survey.json").read_text())
    (job.out / "survey.json").write_text(json.dumps({**body, "made_from": "photos again"}))
    list_sums(job.out)
    refused(tmp_path, job, r"planned from another survey\.json")


def test_plates_planned_from_another_job_file_are_refused(tmp_path):
    job = planned(tmp_path)
    with (job.out / "job.toml").open("a") as stream:
        stream.write("\n[layout]\nwaste = 20\n")
    refused(tmp_path, job, r"planned from another job\.toml")


@pytest.mark.parametrize("name", ["plates.pdf", "holes.csv"])
def test_a_sheet_of_other_plates_is_refused(tmp_path, name):
    job = planned(tmp_path)
    (job.out / name).write_bytes(b"another")
    refused(tmp_path, job, rf"{name} is not as it was when plates was run")


def test_a_picture_of_an_earlier_measurement_is_refused(tmp_path):
    job = a_job(tmp_path)
    (job.out / "pictures" / "run-south.jpg").write_bytes(b"of before")
    refused(tmp_path, job, r"run-south\.jpg: neither measure nor plates wrote this here last")


@pytest.mark.parametrize("name", ["strips/x.pdf", "plates.pdf", "holes.csv"])
def test_sheets_without_a_plan_are_refused(tmp_path, name):
    job = a_job(tmp_path)
    (job.out / name).parent.mkdir(exist_ok=True)
    (job.out / name).write_bytes(b"of another job")
    refused(tmp_path, job, rf"{name}: neither .* There is no plates\.json, .* put it elsewhere")


@pytest.mark.parametrize("name", ["notes.txt", "report.pdf", "holes-2.csv", "sub/survey.json", "photo.jpg"])
@pytest.mark.parametrize("age", ["of today", "older"])
def test_a_file_that_nobody_knows_is_refused(tmp_path, name, age):
    job = a_job(tmp_path)
    if age == "older":
        _forget(job, "libraries")
    (job.out / name).parent.mkdir(exist_ok=True)
    (job.out / name).write_bytes(b"of another job")
    if age == "older" and name == "report.pdf":
        assert sealed(tmp_path / "store", job)[1].is_new  # and it is said that nobody can tell
    else:
        refused(tmp_path, job, rf"{name}: neither measure nor plates")


def test_a_great_many_that_nobody_knows_are_told_in_one_sentence(tmp_path):
    job = a_job(tmp_path)
    for count in range(9):
        (job.out / f"{count}.txt").write_bytes(b"x")
    refused(tmp_path, job, r"4\.txt and 4 more: neither")


def test_what_people_write_beside_results_and_what_the_job_names_is_sealed(tmp_path):
    job = a_job(tmp_path)
    with (job.out / "job.toml").open("a") as stream:
        stream.write('\n[run.levels]\nfile = "levels.csv"\nreads = "rod"\n')
    (job.out / "levels.csv").write_text(LEVELS)
    assert run("plates", job.out).exit_code in (0, 1)
    write_decisions(Decisions(), job.out)
    for name in ("job-before.toml", "corrections-before.toml"):
        (job.out / name).write_text("")
    store, one = sealed(tmp_path / "store", job)
    results = store.package(one.name) / "data" / "results"
    assert {path.name for path in job.out.iterdir()} == {path.name for path in results.iterdir()}
    assert (results / "levels.csv").read_text() == LEVELS


@pytest.mark.parametrize("name", [MEASURED, PLANNED])
def test_a_list_taken_away_from_results_of_today_is_told(tmp_path, name):
    job = planned(tmp_path)
    (job.out / name).unlink()
    refused(tmp_path, job, rf"has no {name}, which {Path(name).stem} leaves at its end\. Run sillwright")


def test_the_names_that_older_results_may_have_are_those_that_are_written(tmp_path):
    written = {*TABLES, "plates.json", f"{STRIP_FOLDER}/"}
    assert set(PLATES_LEAVE) == written
    sheets = {path.name for path in sheet_paths(tmp_path)}
    assert set(MEASURE_LEAVES) == {"survey.json", f"{PICTURE_FOLDER}/", *sheets}


def test_a_list_that_is_none_is_refused(tmp_path):
    job = a_job(tmp_path)
    (job.out / MEASURED).write_text("nothing")
    refused(tmp_path, job, "no list of checksums")


def test_plates_can_be_planned_again_over_their_list(tmp_path):
    job = planned(tmp_path)
    assert run("plates", job.out).exit_code in (0, 1)
    assert {"survey.json", "job.toml", "plates.json", "plates.pdf"} <= set(read_sums(job.out / PLANNED))


@pytest.mark.parametrize("moved_mm", [0.0, 5.0])
def test_measured_again_before_it_is_logged_a_package_is_sealed_only_if_the_same(tmp_path, monkeypatch, moved_mm):
    """The measurement is stood in for: the numbers it gives are what is asked about."""
    job = a_job(tmp_path)
    survey = read_survey(job.out / "survey.json")
    bolt = survey.runs[0].bolts[0]
    again = replace(bolt, setback_mm=(bolt.setback_mm or 0.0) + moved_mm)
    run_again = replace(survey.runs[0], bolts=(again, *survey.runs[0].bolts[1:]))
    monkeypatch.setattr("sillwright.measure.measure_job", lambda *_, **__: replace(survey, runs=(run_again,)))
    done = run("archive", job.out, "-o", tmp_path / "store", "--photos", job.folder, "--measure-again")
    if moved_mm:
        assert "so nothing was sealed" in str(done.exception)
        assert list((tmp_path / "store" / "packages").iterdir()) == []
        assert (tmp_path / "store" / "log" / "entries.txt").read_bytes() == b""
    else:
        assert done.exit_code == 0
        assert done.stdout.splitlines() == [str(tmp_path / "store" / "packages" / "lot-7-garage-2026-05-22")]


def test_level_readings_that_plates_were_planned_from_are_sealed_with_them(tmp_path):
    job = a_job(tmp_path)
    levels = "run,station,reading\nnorth,0 ft,10 mm\nnorth,4 ft,11 mm\n"
    for folder in (job.folder, job.out):
        text = (folder / "job.toml").read_text()
        (folder / "job.toml").write_text(f'{text}[run.levels]\nfile = "levels.csv"\nreads = "rod"\n')
        (folder / "levels.csv").write_text(levels)
    assert run("plates", job.out).exit_code in (0, 1)
    assert "levels.csv" in read_sums(job.out / PLANNED)
    store, made = sealed(tmp_path / "store", job)
    for place in ("results", "job"):
        assert (store.package(made.name) / "data" / place / "levels.csv").read_text() == levels


def test_what_a_foreman_said_is_sealed_with_the_numbers(tmp_path):
    job = a_job(tmp_path)
    write_decisions(Decisions(), job.out)
    store, made = sealed(tmp_path / "store", job)
    assert read_decisions(store.package(made.name) / "data" / "results") == Decisions()


def test_words_of_a_foreman_that_cannot_be_read_are_not_sealed(tmp_path):
    job = a_job(tmp_path)
    (job.out / "decisions.json").write_text('{"format": 1, "said": [{"run": "north"}]}')
    with pytest.raises(JobError, match="holds no decisions this version can read"):
        job.contents()


def test_level_readings_that_are_gone_are_asked_for_by_name(tmp_path):
    job = a_job(tmp_path)
    for folder in (job.folder, job.out):
        with (folder / "job.toml").open("a") as stream:
            stream.write('[run.levels]\nfile = "levels.csv"\nreads = "rod"\n')
    done = run("archive", job.out, "-o", tmp_path / "store", "--photos", job.folder)
    assert isinstance(done.exception, ArchiveError)
    assert f"{job.out / 'levels.csv'}, which job.toml names, is not there" in str(done.exception)
    assert not (tmp_path / "store").exists()


def test_a_list_of_plates_without_a_plan_is_refused(tmp_path):
    job = planned(tmp_path)
    (job.out / "plates.json").unlink()
    refused(tmp_path, job, "there is no plates.json")
