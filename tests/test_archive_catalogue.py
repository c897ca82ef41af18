"""The catalogue answers by what the packages say, can be lost at any time, and shows no more than they hold."""

from __future__ import annotations

import csv
import io
import json
import shutil
import sqlite3
from dataclasses import replace
from pathlib import Path

import pytest
from click.testing import CliRunner
from PIL import Image

from archive_jobs import (
    SERIAL,
    TABLES,
    SmallJob,
    a_job,
    dump,
    let_write,
    list_sums,
    make_manifests_again,
    sealed,
)
from judge_runs import a_bolt
from plate_jobs import a_survey, a_table, leaning, some_inputs
from sillwright.archive import catalogue_tables
from sillwright.archive.catalogue import add, catalogue, refresh, remake, version_of
from sillwright.archive.catalogue_rows import THUMBNAIL_PX, PackageRows, read_rows, rows_of
from sillwright.archive.package import read_record
from sillwright.archive.search import Found, Query, find, thumbnails
from sillwright.archive.store import Store, make_store, writing
from sillwright.cli.app import app
from sillwright.errors import ArchiveError, DamageError
from sillwright.plates.plan import plan_job
from sillwright.plates.record_file import write_plan
from sillwright.sums import PLANNED, sums_bytes, sums_of
from sillwright.survey import Finding, RunRecord, Survey
from sillwright.survey_file import read_survey, write_survey


def jobs_in(folder: Path) -> list[SmallJob]:
    near = a_bolt("N1", setback_mm=60.0, lean_mm=(0.0, 0.0))
    far = replace(a_bolt("N2", 1200.0, setback_mm=133.0, status="check"), lean_deg=7.5, reasons=(Finding("bent"),))
    gone = a_bolt("N3", 2000.0, setback_mm=None, status="reshoot")
    return [
        a_job(folder / "1", "Lot 7, garage", bolts=[near]),
        a_job(folder / "2", "Lot 8, house", bolts=[near, far]),
        a_job(folder / "3", "LOT 8, porch", bolts=[near, gone]),
    ]


@pytest.fixture
def store(tmp_path: Path) -> Store:
    for job in jobs_in(tmp_path / "jobs"):
        made, _ = sealed(tmp_path / "store", job)
    return made


def asked(store: Store, **query: object) -> Found:
    with catalogue(store) as connection:
        assert refresh(connection, store) == []
        return find(connection, Query(**query))


def column(found: Found, name: str) -> list[object]:
    return [row[found.columns.index(name)] for row in found.rows]


# Answers


def test_without_a_question_every_package_is_found(store):
    found = asked(store)
    assert found.kind == "packages"
    assert sorted(column(found, "job")) == ["LOT 8, porch", "Lot 7, garage", "Lot 8, house"]
    assert sorted(column(found, "status")) == ["check", "check", "check"]
    assert sorted(column(found, "bolts")) == [1, 2, 2]


@pytest.mark.parametrize(
    ("query", "jobs"),
    [
        ({"job": "GARAGE"}, ["Lot 7, garage"]),
        ({"job": "lot 8"}, ["LOT 8, porch", "Lot 8, house"]),
        ({"lot": "8"}, ["LOT 8, porch", "Lot 8, house"]),
        ({"lot": "88"}, []),
        ({"since": "2026-05-22", "until": "2026-05-22", "lot": "7"}, ["Lot 7, garage"]),
        ({"since": "2026-05-23"}, []),
        ({"until": "2026-05-21"}, []),
        ({"job": "%"}, []),
        ({"job": "' OR 1=1 --"}, []),
    ],
)
def test_packages_by_job_lot_and_day(store, query, jobs):
    assert sorted(column(asked(store, **query), "job")) == jobs


@pytest.mark.parametrize(
    ("query", "marks"),
    [
        ({"status": "check"}, ["N2"]),
        ({"status": "reshoot"}, ["N3"]),
        ({"status": "ok"}, ["N1", "N1", "N1"]),
        ({"setback_over_mm": 132.9}, ["N2"]),
        ({"setback_over_mm": 133.0}, []),
        ({"lean_over_deg": 7.0}, ["N2"]),
        ({"lean_over_deg": 7.0, "status": "ok"}, []),
        ({"setback_over_mm": 50.0, "lean_over_deg": 0.5}, ["N2"]),
        ({"run": "NORTH", "lot": "7"}, ["N1"]),
        ({"run": "nort"}, []),
    ],
)
def test_bolts_by_status_setback_lean_and_run(store, query, marks):
    found = asked(store, **query)
    assert found.kind == "bolts"
    assert sorted(column(found, "mark")) == marks


def test_more_than_the_limit_is_told(store):
    assert asked(store, limit=2).more
    assert len(asked(store, limit=2).rows) == 2
    assert not asked(store, limit=3).more
    assert not asked(store, limit=0).more
    assert len(asked(store, limit=0).rows) == 3


def test_a_rule_that_is_not_met_is_found_with_its_source(tmp_path):
    """A bolt that leans far and one 60 mm from the line of a 2x6: IRC R403.1.6 wants it in the plate's middle third."""
    job = a_job(tmp_path / "job", "Lot 7")
    bolts = a_survey(north=[leaning(a_bolt("N1", 300.0, 25.0, 0.2), 0.0, 0.0)])
    survey = replace(read_survey(job.out / "survey.json"), runs=bolts.runs)
    write_survey(survey, job.out / "survey.json")
    list_sums(job.out)
    write_plan(plan_job(survey, some_inputs(a_table())), job.out / "plates.json")
    (job.out / PLANNED).write_bytes(sums_bytes(sums_of(job.out, [job.out / "plates.json"])))
    store, _ = sealed(tmp_path / "store", job)
    found = asked(store, rule="any")
    assert found.kind == "broken"
    assert found.rows
    rules = set(column(found, "rule"))
    assert "across" in rules
    assert set(column(asked(store, rule="across"), "rule")) == {"across"}
    assert any("R403.1.6" in str(source) for source in column(found, "source"))
    assert asked(store, rule="any", run="no such run").rows == ()
    (planned,) = asked(store).rows
    assert planned[asked(store).columns.index("broken")] == len(found.rows)


def test_every_number_of_a_row_is_the_records_own(store):
    row = dict(zip(asked(store, status="check").columns, asked(store, status="check").rows[0], strict=True))
    assert (row["station_mm"], row["setback_mm"], row["lean_deg"], row["stickup_mm"]) == (1200.0, 133.0, 7.5, 82.0)


# Pictures and privacy


def test_thumbnails_are_small_and_carry_nothing_of_the_file_but_pixels(store):
    with catalogue(store) as connection:
        refresh(connection, store)
        for name in store.names():
            pictures = thumbnails(connection, name)
            assert sorted(pictures) == ["IMG_1.jpg", "IMG_2.jpg"]
            for content in pictures.values():
                with Image.open(io.BytesIO(content)) as picture:
                    assert max(picture.size) <= THUMBNAIL_PX
                    assert not picture.getexif()


def test_neither_place_nor_serial_number_is_in_the_catalogue(store):
    asked(store)
    with catalogue(store) as connection:
        connection.execute("PRAGMA wal_checkpoint(TRUNCATE)")
    content = store.catalogue.read_bytes()
    assert SERIAL.encode() not in content
    assert b"GPS" not in content
    assert b"Exif" not in content


# Made again


def test_thrown_away_it_is_made_again_the_same(store):
    asked(store)
    before = dump(store)
    for ending in ("", "-wal", "-shm"):
        Path(f"{store.catalogue}{ending}").unlink(missing_ok=True)
    asked(store)
    assert dump(store) == before
    with writing(store):
        assert remake(store) == []
    assert dump(store) == before


def test_a_package_that_is_gone_is_gone_from_it_with_all_its_rows(store):
    asked(store)
    shutil.rmtree(store.package(store.names()[0]))
    assert len(asked(store).rows) == 2
    with catalogue(store) as connection:
        for table in TABLES[1:]:
            orphans = f"SELECT count(*) FROM {table} WHERE package NOT IN (SELECT id FROM package)"
            assert connection.execute(orphans).fetchone() == (0,)


def test_a_catalogue_of_the_first_version_is_taken_to_this_one_and_gets_its_thumbnails(store):
    with catalogue(store) as connection:
        pass
    store.catalogue.unlink()
    with sqlite3.connect(store.catalogue) as old:
        old.executescript(catalogue_tables.MIGRATIONS[0])
        old.execute("PRAGMA user_version = 1")
        first = store.names()[0]
        rows = rows_of(first, "00", read_record(store.package(first)), Survey("x", (), (), ()))
        old.execute(f"INSERT INTO package VALUES (1, {', '.join('?' * len(rows.package))})", rows.package)
    old.close()
    with catalogue(store) as connection:
        assert version_of(connection) == catalogue_tables.VERSION
        refresh(connection, store)
        assert len(thumbnails(connection, first)) == 2
        assert connection.execute("PRAGMA journal_mode").fetchone() == ("wal",)


def test_a_catalogue_of_the_second_version_is_given_its_runs_as_the_packages_have_them(store):
    asked(store)
    fresh = dump(store)
    with catalogue(store) as connection:
        connection.execute("DROP TABLE run")
        connection.execute("PRAGMA user_version = 2")
    assert dump(store) == fresh
    assert ("lot-8-house-2026-05-22", "north", 1, 1, 0, 133.0, 7.5) in fresh["run"]


@pytest.mark.parametrize("run", ["nosuch", "Lone"])
@pytest.mark.parametrize(
    "more",
    [{}, {"status": "ok"}, {"setback_over_mm": 50.0}, {"lean_over_deg": 0.5}, {"status": "ok", "rule": "spacing"}],
)
def test_a_rare_run_is_found_without_reading_the_bolts_of_every_package(tmp_path, run, more):
    """SQLite counts its own steps: with 200 bolts a package, reading them all takes many times what is allowed here."""
    package = read_record(sealed(tmp_path / "store", a_job(tmp_path / "job"))[0].package("lot-7-garage-2026-05-22"))
    store, packages, bolts = make_store(tmp_path / "many"), 40, 200

    def some(number: int) -> PackageRows:
        name = "lone" if number == 3 else "north"
        all_bolts = tuple(replace(a_bolt(f"N{place}", place * 9.0), lean_deg=2.0) for place in range(bolts))
        rows = rows_of(f"lot-{number}", "00", package, Survey("x", (RunRecord(name, "ok", (), all_bolts, ()),), (), ()))
        broken = ((0, name, name, "N0", 0, "spacing", "", 2000.0, 1828.8),)
        return replace(rows, package=(*rows.package[:-2], 1, 1), broken=broken)

    with catalogue(store) as connection:
        add(connection, map(some, range(packages)))
        steps = [0]
        connection.set_progress_handler(lambda: steps.__setitem__(0, steps[0] + 1), 100)
        rows = find(connection, Query(run=run, limit=0, **more)).rows
    assert len(rows) == (0 if run == "nosuch" else 1 if "rule" in more else bolts)
    assert steps[0] * 100 < packages * 60 + len(rows) * 60


def test_a_catalogue_of_a_newer_version_is_left_alone(store):
    with sqlite3.connect(store.catalogue) as newer:
        newer.execute(f"PRAGMA user_version = {catalogue_tables.VERSION + 1}")
    newer.close()
    with pytest.raises(ArchiveError, match="was made by a newer sillwright"), catalogue(store):
        pass


def test_every_column_is_told_of_in_the_order_rows_are_written(store):
    rows = read_rows(store.package(store.names()[0]))
    with catalogue(store) as connection:
        for table, some in zip(
            TABLES, ((rows.package,), rows.runs, rows.bolts, rows.broken, rows.reasons, rows.thumbnails), strict=True
        ):
            columns = connection.execute(f"PRAGMA table_info({table})").fetchall()
            assert all(len(row) == len(columns) - 1 for row in some)


def test_a_damaged_catalogue_is_told_of_and_made_again(store):
    asked(store)
    with catalogue(store) as connection:
        connection.execute("PRAGMA wal_checkpoint(TRUNCATE)")
    for content in (b"no database at all" * 1000, store.catalogue.read_bytes()[:5000]):
        store.catalogue.write_bytes(content)
        done = CliRunner().invoke(app, ["find", str(store.folder), "--status", "check"])
        assert isinstance(done.exception, DamageError)
        assert "--rebuild makes it again" in str(done.exception)
        done = CliRunner().invoke(app, ["find", str(store.folder), "--status", "check", "--rebuild", "--as", "json"])
        assert done.exit_code == 0, done.output
        assert json.loads(done.stdout)["bolts"][0]["mark"] == "N2"


# Hostile packages


@pytest.mark.parametrize("place", ["data/results/survey.json", "data/package.json", "data/results", "data", ""])
def test_a_package_with_a_link_in_it_is_not_read(store, tmp_path, place):
    package = store.package(store.names()[0])
    (package / place).rename(tmp_path / "away")
    (package / place).symlink_to(tmp_path / "away")
    with pytest.raises(DamageError):
        read_rows(package)


@pytest.mark.parametrize(
    "content", [b"", b"{}", b"[]", b"\xff", b"[" * 200_000, b'{"format": 1, "name": 3}', b'{"format": 1, "runs": [[]]}']
)
def test_nonsense_in_place_of_a_record_is_told_and_the_rest_is_found(store, content):
    package = store.package(store.names()[0])
    for inside in ("data/results/survey.json", "data/package.json"):
        path = package / inside
        path.chmod(0o644)
        whole = path.read_bytes()
        path.write_bytes(content)
        with catalogue(store) as connection:
            (fault,) = refresh(connection, store)
            assert package.name in fault
            assert len(find(connection, Query()).rows) == 2
        path.write_bytes(whole)


def test_a_photo_named_outside_of_the_package_is_not_opened(store, tmp_path):
    package = store.package(store.names()[0])
    path = package / "data/results/survey.json"
    path.chmod(0o644)
    shutil.copy(package / "data/job/IMG_1.jpg", package.parent / "secret.jpg")
    path.write_text(path.read_text().replace('"file": "IMG_1.jpg"', '"file": "../../../secret.jpg"'))
    let_write(store)
    make_manifests_again(package)
    assert [row[0] for row in read_rows(package).thumbnails] == ["IMG_2.jpg"]


# The command


def run(*words: object) -> tuple[int, str, str]:
    done = CliRunner().invoke(app, ["find", *(str(word) for word in words)])
    if done.exception is not None and not isinstance(done.exception, SystemExit):
        raise done.exception
    return done.exit_code, done.stdout, done.stderr


def test_table_csv_and_json_hold_the_same_answer(store):
    status, table, told = run(store.folder, "--setback-over", "5 in")
    assert status == 0
    assert "N2" in table
    assert "CHECK" in table
    assert '5 1/4"' in table
    assert told.startswith("1 bolt")
    _, text, _ = run(store.folder, "--setback-over", "5 in", "--as", "csv")
    (row,) = csv.DictReader(io.StringIO(text.lstrip("\ufeff")))
    _, text, _ = run(store.folder, "--setback-over", "5 in", "--as", "json")
    (other,) = json.loads(text)["bolts"]
    assert row["mark"] == other["mark"] == "N2"
    assert float(row["setback_mm"]) == other["setback_mm"] == 133.0


def test_a_bolt_to_shoot_again_has_no_number_in_the_table(tmp_path):
    bolt = a_bolt("N1", 500.0, 77.0, status="reshoot")
    store, _ = sealed(tmp_path / "store", a_job(tmp_path, bolts=[bolt]))
    _, table, _ = run(store.folder, "--status", "reshoot")
    assert "no number" in table
    assert '3 1/16"' not in table


def test_a_job_name_that_is_a_formula_is_no_formula_in_the_csv(tmp_path):
    store, _ = sealed(tmp_path / "store", a_job(tmp_path, "=cmd|' /C calc'!A0"))
    _, text, _ = run(store.folder, "--as", "csv")
    (row,) = csv.DictReader(io.StringIO(text.lstrip("\ufeff")))
    assert row["job"].startswith("'=")


def test_an_empty_answer_is_an_answer(store):
    assert run(store.folder, "--lot", "99") == (0, "", "Nothing found.\n")


def test_what_is_not_understood_is_told(store, tmp_path):
    from sillwright.errors import LengthError

    assert run(store.folder, "--rule", "gravity")[0] == 2
    assert run(store.folder, "--since", "May")[0] == 2
    with pytest.raises(LengthError):
        run(store.folder, "--setback-over", "far")
    with pytest.raises(ArchiveError, match="is no store of packages"):
        run(tmp_path)


def test_thumbnails_are_written_for_the_packages_in_the_answer(store, tmp_path):
    status, _, told = run(store.folder, "--lot", "7", "--thumbnails", tmp_path / "small")
    assert status == 0
    assert "Wrote 2 small pictures" in told
    assert len(list((tmp_path / "small").iterdir())) == 2


def test_a_package_that_cannot_be_read_is_told_and_the_status_says_so(store):
    path = store.package(store.names()[0]) / "data/package.json"
    path.chmod(0o644)
    path.write_text("{}")
    status, _, told = run(store.folder)
    assert status == 5
    assert "sillwright audit" in told
    assert "2 packages." in told
