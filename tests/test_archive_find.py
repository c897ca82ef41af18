"""Asking a store: nothing of the user's is written over, nothing left out in silence, and the catalogue never lost."""

from __future__ import annotations

import io
import json
import shutil
import sqlite3
from pathlib import Path

import pytest
from click.testing import CliRunner, Result
from rich.console import Console

from archive_jobs import a_job, catalogue_now, dump, let_write, sealed
from sillwright.archive import catalogue as catalogues
from sillwright.archive.catalogue import catalogue, remake
from sillwright.archive.search import Found
from sillwright.archive.store import Store
from sillwright.cli.app import app
from sillwright.errors import ArchiveError, DamageError
from sillwright.tell.find_tables import find_table


@pytest.fixture
def store(tmp_path: Path) -> Store:
    made, _ = sealed(tmp_path / "store", a_job(tmp_path / "a", "Lot 12, garage"))
    catalogue_now(made)
    return made


def run(*words: object) -> Result:
    return CliRunner().invoke(app, [str(word) for word in words])


def found(*words: object) -> list[str]:
    done = run("find", *words, "--as", "json")
    assert done.exit_code == 0, done.output
    return [row["package"] for row in json.loads(done.stdout)["packages"]]


def contents(folder: Path) -> dict[str, bytes]:
    return {path.relative_to(folder).as_posix(): path.read_bytes() for path in folder.rglob("*") if path.is_file()}


@pytest.mark.parametrize("lot", ["12", "LOT 12", "lot 12", " Lot #12 "])
def test_a_lot_is_found_as_people_write_it(store, lot):
    assert len(found(store.folder, "--lot", lot)) == 1
    assert found(store.folder, "--lot", "1") == []


def test_a_lot_that_was_sealed_with_the_word_is_found_by_its_number(tmp_path):
    made, _ = sealed(tmp_path / "store", a_job(tmp_path / "a", "Garage"), lot="Lot 12")
    assert len(found(made.folder, "--lot", "12")) == 1


def test_days_the_wrong_way_round_are_told(store):
    done = run("find", store.folder, "--since", "2026-06-01", "--until", "2026-05-01")
    assert done.exit_code == 2
    assert "--since 2026-06-01 is after --until 2026-05-01" in done.stderr
    assert found(store.folder, "--since", "2026-05-22", "--until", "2026-05-22")


@pytest.mark.parametrize("words", ["nan", "NaN", "-nan", "inf", "-1"])
def test_a_lean_that_is_no_number_of_degrees_is_refused(store, words):
    done = run("find", store.folder, "--lean-over", words)
    assert done.exit_code == 2
    assert "--lean-over" in done.stderr


def test_a_name_can_be_copied_out_of_a_narrow_table(tmp_path, monkeypatch):
    name = "a job whose name is as long as a package can bear it and then some more"
    made, one = sealed(tmp_path / "store", a_job(tmp_path / "a", name))
    for width in ("60", "80", "200"):
        monkeypatch.setenv("COLUMNS", width)
        for words in ((), ("--status", "check"), ("--where-taken",)):
            lines = run("find", made.folder, *words).stdout.splitlines()
            assert any(one.name in line for line in lines), (width, words)
            assert all(len(line.rstrip()) <= max(int(width), len(one.name) + 3) for line in lines)


BOLTS = Found(
    "bolts",
    ("package", "run", "mark", "status", "station_mm", "setback_mm", "setback_u95_mm", "lean_deg", "lean_u95_deg"),
    (
        ("lot-12-garage-2026-05-22", "north", "N1", "ok", -71.4, 68.3, 0.6, 0.4, 0.4),
        ("lot-12-garage-2026-05-22", "north", "N11", "check", 4597.4, 74.6, 0.9, 6.0, 0.4),
        ("lot-9-2026-05-21", "north", "N2", "reshoot", 1557.3, 74.6, 0.9, 6.0, 0.4),
    ),
    more=False,
)
BROKEN = Found(
    "broken",
    ("package", "run", "subject", "rule", "measured_mm", "limit_mm", "source"),
    (("lot-12-garage-2026-05-22", "north", "N1 to N2", "end-distance", 44.5, 88.9, "IRC 2021, R403.1.6, first rule"),),
    more=False,
)


def printed(found: Found, width: int) -> list[str]:
    console = Console(width=width, file=io.StringIO())
    console.print(find_table(found, width), soft_wrap=True)
    return console.file.getvalue().splitlines()


@pytest.mark.parametrize("width", [20, 60, 67, 68, 80, 84, 97, 98, 110, 200])
def test_no_cell_of_a_table_is_cut_however_narrow_the_terminal(width):
    lines = printed(BOLTS, width)
    cells = """2 13/16" back|15' 1"|2 11/16" ± 1/32"|2 15/16" ± 1/16"|0.4 ± 0.4°|6.0 ± 0.4°|N11|RE-SHOOT|no number"""
    for cell in (*cells.split("|"), "lot-12-garage-2026-05-22", "lot-9-2026-05-21", "In from the line", "Lean"):
        assert any(cell in line for line in lines), cell
    assert all(len(line.rstrip()) <= max(width, 36) for line in lines)
    lines = printed(BROKEN, width)
    for cell in ("N1 to N2", "end-distance", '1 3/4"', '3 1/2"', "lot-12-garage-2026-05-22", "Measured", "Rule"):
        assert any(cell in line for line in lines), cell
    assert {"IRC", "2021,", "R403.1.6,", "first", "rule"} <= set(" ".join(lines).split())


def test_what_is_piped_is_cut_as_little_as_what_is_shown(store, monkeypatch):
    monkeypatch.delenv("COLUMNS", raising=False)
    told = run("find", store.folder, "--run", "north").stdout
    rows = json.loads(run("find", store.folder, "--run", "north", "--as", "json").stdout)["bolts"]
    for row in rows:
        assert row["package"] in told
        assert f"{row['lean_deg']:.1f} ± " in told
    assert told.count('2 3/4" ± ') == len(rows)


def test_a_file_of_the_users_is_not_written_over_by_a_thumbnail(store, tmp_path):
    folder = tmp_path / "mine"
    assert run("find", store.folder, "--thumbnails", folder).exit_code == 0
    assert run("find", store.folder, "--thumbnails", folder).exit_code == 0  # its own pictures once more
    one, other = sorted(folder.iterdir())
    one.write_bytes(b"my picture")
    other.unlink()
    done = run("find", store.folder, "--thumbnails", folder)
    assert done.exit_code == 2
    assert f"{one.name} is there already and is another file" in done.stderr
    assert contents(folder) == {one.name: b"my picture"}


def test_a_photo_whose_place_was_asked_for_and_is_not_there_is_told(store):
    (name,) = store.names()
    let_write(store)
    record = store.package(name) / "data" / "package.json"
    record.write_text(record.read_text().replace('"job/job.toml"', '"elsewhere/job.toml"'))
    done = run("find", store.folder, "--where-taken")
    assert done.exit_code == 5
    assert "photo IMG_1.jpg was measured, and cannot be read where it was sealed" in done.stderr


def test_a_catalogue_that_cannot_be_made_again_is_left_as_it_was(store, monkeypatch):
    before = dump(store)

    def full(*_: object) -> None:
        fault = sqlite3.OperationalError("database or disk is full")
        fault.sqlite_errorcode = sqlite3.SQLITE_FULL
        raise fault

    monkeypatch.setattr(catalogues, "add", full)
    with pytest.raises(ArchiveError, match="See that the disk has room"):
        remake(store)
    assert dump(store) == before
    assert not list(store.folder.glob(".catalogue*"))


@pytest.mark.parametrize("harm", ["a table gone", "no database", "half of it"])
def test_a_damaged_catalogue_is_told_with_how_to_mend_it(store, harm):
    before = dump(store)
    if harm == "a table gone":
        with sqlite3.connect(store.catalogue) as connection:
            connection.execute("DROP TABLE broken")
        connection.close()
    elif harm == "no database":
        store.catalogue.write_bytes(b"garbage" * 1000)
    else:
        store.catalogue.write_bytes(store.catalogue.read_bytes()[:8192])
    with pytest.raises(DamageError, match="--rebuild makes it again"), catalogue(store) as connection:
        connection.execute("SELECT * FROM broken JOIN bolt JOIN package JOIN reason").fetchall()
    assert run("find", store.folder, "--rebuild").exit_code == 0
    assert dump(store) == before


@pytest.mark.parametrize("kept", ["in step", "behind", "none", "damaged"])
def test_a_store_that_cannot_be_written_is_searched_and_not_changed(store, tmp_path, monkeypatch, kept):
    sealed(store.folder, a_job(tmp_path / "b", "Lot 13"))
    if kept == "in step":
        catalogue_now(store)
    elif kept != "behind":
        store.catalogue.unlink()
    if kept == "damaged":
        store.catalogue.write_bytes(b"garbage" * 1000)
    monkeypatch.setattr(catalogues, "is_writable", lambda _: False)
    before = contents(store.folder)
    assert len(found(store.folder)) == 2
    assert "cannot be written, so its catalogue is brought in step in memory" in run("find", store.folder).stderr
    assert contents(store.folder) == before
    done = run("find", store.folder, "--rebuild")
    assert done.exit_code == 2
    assert "cannot be written. Without --rebuild" in done.stderr


def test_a_store_copied_without_its_catalogue_answers_the_same(store, tmp_path):
    shutil.copytree(store.folder, tmp_path / "copy", ignore=shutil.ignore_patterns("catalogue*"))
    assert found(tmp_path / "copy") == found(store.folder)
