"""Nonsense written into one package, a log or a note takes nothing else away: each is a sentence, the rest is found."""

from __future__ import annotations

import json
import os
import subprocess
import sys
import threading
import time
from pathlib import Path
from typing import Any

import pytest
from click.testing import CliRunner, Result

from archive_jobs import a_job, let_write, make_manifests_again, sealed
from sillwright.archive.audit import audit_store
from sillwright.archive.store import Store
from sillwright.cli.app import app
from sillwright.errors import DamageError, SillwrightError

BAD, GOOD = "lot-7-garage-2026-05-22", "lot-8-2026-05-22"


@pytest.fixture
def store(tmp_path: Path) -> Store:
    made, _ = sealed(tmp_path / "store", a_job(tmp_path / "jobs"))
    sealed(made.folder, a_job(tmp_path / "more", "Lot 8"))
    let_write(made)
    return made


def run(*words: object) -> Result:
    done = CliRunner().invoke(app, [str(word) for word in words])
    assert done.exception is None or isinstance(done.exception, (SystemExit, SillwrightError)), done.exception
    return done


def rewritten(store: Store, change: Any, file: str = "survey.json") -> None:
    """Change what stands in a package's JSON, and make its lists again so that it does not show."""
    path = store.package(BAD) / "data" / ("results/survey.json" if file == "survey.json" else file)
    body = json.loads(path.read_text())
    change(body)
    path.write_text(json.dumps(body))
    make_manifests_again(store.package(BAD))
    for ending in ("", "-wal", "-shm"):
        Path(f"{store.catalogue}{ending}").unlink(missing_ok=True)


def told_and_the_other_found(store: Store) -> None:
    for options in ([], ["--rebuild"], ["--where-taken"]):
        done = run("find", store.folder, "--as", "csv", *options)
        assert done.exit_code == 5
        assert BAD in done.stderr
        assert GOOD in done.stdout


def in_bolt(key: str, value: object) -> Any:
    return lambda body: body["runs"][0]["bolts"][0].update({key: value})


def in_photo(value: object) -> Any:
    return lambda body: body["photos"][0].update(file=value)


FINDING = {"code": None, "photos": [], "cards": [], "value_mm": None}


@pytest.mark.parametrize(
    "change",
    [
        in_photo(5),
        in_photo(None),
        in_photo(["a"]),
        in_photo("a\0b"),
        in_photo("\ud800"),
        in_photo("IMG_2.jpg"),
        in_bolt("mark", "\ud800"),
        in_bolt("setback_mm", 10**30),
        in_bolt("setback_mm", 10**400),
        in_bolt("diameter_mm", None),
        in_bolt("findings", [FINDING]),
        in_bolt("findings", [FINDING | {"code": {"a": 1}}]),
        lambda body: body["runs"][0].update(status=["ok"]),
        lambda body: body["runs"][0].update(status={}),
        lambda body: body["runs"][0].update(name="\ud800"),
        lambda body: body["runs"][0].update(plate_width_mm=10**400),
    ],
)
def test_a_record_that_holds_nonsense_is_told_and_the_others_are_found(store, change):
    rewritten(store, change)
    told_and_the_other_found(store)
    assert isinstance(run("compare", store.package(BAD), store.package(GOOD)).exception, SillwrightError)


@pytest.mark.parametrize(("key", "value"), [("photos", 10**30), ("lot", "a\0b"), ("job_file", "job/a\0b")])
def test_a_package_that_says_nonsense_of_itself_takes_no_other_away(store, key, value):
    rewritten(store, lambda body: body.update({key: value}), "package.json")
    done = run("find", store.folder, "--as", "csv", "--where-taken")
    assert GOOD in done.stdout
    audited = run("audit", store.folder)
    assert audited.exit_code == 5
    assert "package.json" in audited.output or key != "job_file"


def test_a_package_sealed_beside_one_with_nonsense_is_told_with_its_root(store, tmp_path):
    rewritten(store, in_photo(5))
    job = a_job(tmp_path / "third", "Lot 9")
    done = run("archive", job.out, "-o", store.folder, "--photos", job.folder)
    assert done.exit_code == 0
    assert "lot-9-2026-05-22" in done.stdout
    assert "its root is" in done.stderr


def test_changed_numbers_are_neither_catalogued_nor_compared(store):
    path = store.package(BAD) / "data/results/survey.json"
    path.write_text(path.read_text().replace('"setback_mm": 69.85', '"setback_mm": 30.0'))
    store.catalogue.unlink(missing_ok=True)
    told_and_the_other_found(store)
    with pytest.raises(DamageError, match="is not as it was sealed"):
        CliRunner().invoke(app, ["compare", str(store.package(BAD)), str(store.package(GOOD))], catch_exceptions=False)


@pytest.mark.parametrize("stamp_ms", [-1, 10**30])
def test_a_head_whose_moment_is_none_is_told(store, stamp_ms):
    path = sorted((store.log / "heads").glob("*.json"))[-1]
    body = json.loads(path.read_text())
    path.write_text(
        json.dumps(body | {"timestamp_ms": stamp_ms, "signatures": [{"public_key": "00", "signature": "00"}]})
    )
    assert run("audit", store.folder).exit_code == 5
    assert isinstance(run("prove", store.folder, GOOD).exception, DamageError)


@pytest.mark.parametrize(
    "line", [{"name": BAD, "faults": [], "at": "2026-05-22T10:00:00"}, {"name": "a\0b", "faults": []}]
)
def test_notes_that_make_no_sense_are_left(store, line):
    store.audit.mkdir()
    begun = {"begun": "2026-05-22T10:00:00+00:00"}
    (store.audit / "running.jsonl").write_text(f"{json.dumps(begun)}\n{json.dumps(line)}\n")
    assert run("audit", store.folder, "--resume").exit_code == 0


HUGE = ["data/results/survey.json", "bagit.txt", "bag-info.txt", "data/results/plates.json", "data/package.json"]
COMPARED = HUGE[:2]


@pytest.mark.parametrize("file", HUGE)
def test_a_file_of_many_gigabytes_is_not_read_into_memory(store, file):
    path = store.package(BAD) / file
    path.touch()
    os.truncate(path, 10_000_000_000)  # takes no room on the disk
    store.catalogue.unlink(missing_ok=True)
    done = run("find", store.folder, "--as", "csv")
    unsealed = file.endswith("plates.json")  # is not looked into at all
    assert done.exit_code == (0 if unsealed else 5)
    assert BAD in (done.stdout if unsealed else done.stderr)
    assert GOOD in done.stdout
    if file in COMPARED:
        assert isinstance(run("compare", store.package(BAD), store.package(GOOD)).exception, DamageError)


@pytest.mark.parametrize("file", ["log/entries.txt", "log/heads/00000002.json", "audit/running.jsonl"])
def test_a_log_or_note_of_many_gigabytes_is_not_read_into_memory(store, file):
    path = store.folder / file
    path.parent.mkdir(exist_ok=True)
    path.touch()
    os.truncate(path, 10_000_000_000)
    assert run("audit", store.folder).exit_code == (0 if file.startswith("audit") else 5)


@pytest.mark.parametrize("where", ["record", "design", "head"])
def test_a_pipe_in_place_of_a_file_is_refused_and_not_waited_for(store, tmp_path, where):
    pipe = tmp_path / "pipe.csv"
    os.mkfifo(pipe)
    out = tmp_path / "jobs" / "out"
    if where == "record":
        (out / "survey.json").unlink()
        os.mkfifo(out / "survey.json")
    words = {
        "record": ["archive", out, "-o", store.folder],
        "design": ["compare", out, pipe],
        "head": ["audit", store.folder, "--kept", pipe],
    }[where]
    done = subprocess.run(
        [sys.executable, "-m", "sillwright", *map(str, words)], capture_output=True, text=True, timeout=60, check=False
    )
    assert done.returncode in (2, 5)
    assert "no plain file" in done.stderr


def test_an_audit_beside_writers_finds_nothing_wrong(store, tmp_path):
    """What a writer does between name, entry and head is not taken for damage."""
    jobs = [a_job(tmp_path / f"job{count}", f"Lot {count}") for count in range(20, 32)]
    done = threading.Event()

    def write() -> None:
        for job in jobs:
            sealed(store.folder, job)
        done.set()

    writer = threading.Thread(target=write)
    writer.start()
    audits = 0
    begun = time.monotonic()
    while not done.is_set() and time.monotonic() - begun < 120.0:
        assert not audit_store(store, workers=1).damaged
        audits += 1
    writer.join()
    assert audits


def test_words_that_are_no_text_are_refused_by_name(store, tmp_path):
    for words in (["find", store.folder, "--job", "\udcff"], ["find", store.folder, "--lot", "a\x1b[2J"]):
        done = run(*words)
        assert done.exit_code == 2
        assert "cannot be printed" in done.stderr


def test_a_name_that_the_terminal_cannot_show_is_told_all_the_same(tmp_path):
    done = subprocess.run(
        [sys.executable, "-m", "sillwright", "audit", os.fsdecode(os.fsencode(tmp_path) + b"/\xff")],
        capture_output=True,
        timeout=60,
        check=False,
        env={**os.environ, "PYTHONIOENCODING": "ascii"},
    )
    assert b"Traceback" not in done.stderr
    assert done.returncode == 2


def test_a_cell_of_bytes_in_the_catalogue_is_damage_that_can_be_mended(store):
    import sqlite3

    assert run("find", store.folder).exit_code == 0
    with sqlite3.connect(store.catalogue) as connection:
        connection.execute("UPDATE package SET job = x'ff00'")
    assert "--rebuild makes it again" in str(run("find", store.folder, "--as", "json").exception)
    assert run("find", store.folder, "--rebuild").exit_code == 0


def test_a_photo_that_was_exchanged_has_no_place_and_no_thumbnail(store):
    photo = store.package(BAD) / "data/job/IMG_1.jpg"
    photo.write_bytes((store.package(BAD) / "data/job/IMG_2.jpg").read_bytes())
    done = run("find", store.folder, "--as", "csv", "--where-taken")
    assert done.exit_code == 5
    assert f"{BAD},IMG_1.jpg" not in done.stdout
    assert f"{BAD}: photo IMG_1.jpg was measured, and cannot be read" in done.stderr
    assert run("find", store.folder, "--rebuild", "--thumbnails", store.folder.parent / "small").exit_code == 0
    assert not list((store.folder.parent / "small").glob(f"{BAD}-IMG_1*"))


def test_a_damaged_name_in_the_catalogue_is_told_and_mended(store):
    """SQLite quotes the name in what it says, which then is no text."""
    assert run("find", store.folder).exit_code == 0
    whole = store.catalogue.read_bytes()
    at = whole.index(b"package_by_day") if b"package_by_day" in whole else whole.index(b"CREATE INDEX") + 14
    for off in range(40):
        content = bytearray(whole)
        content[at + off] ^= 0x80
        store.catalogue.write_bytes(content)
        done = run("find", store.folder)
        assert done.exception is None or isinstance(done.exception, (SystemExit, SillwrightError))
    assert run("find", store.folder, "--rebuild").exit_code == 0
    assert run("find", store.folder).exit_code == 0


@pytest.mark.parametrize(
    "script",
    [
        "CREATE TRIGGER t BEFORE DELETE ON package BEGIN SELECT RAISE(IGNORE); END",
        "CREATE VIEW v AS SELECT 1",
        "UPDATE package SET name = '../../evil' WHERE name LIKE 'lot-7%'",
    ],
)
def test_a_catalogue_made_to_do_harm_is_not_used(store, tmp_path, script):
    import sqlite3

    assert run("find", store.folder).exit_code == 0
    with sqlite3.connect(store.catalogue) as connection:
        connection.execute(script)
    place = tmp_path / "a" / "b"
    done = run("find", store.folder, "--thumbnails", place)
    assert isinstance(done.exception, DamageError) or done.exit_code == 0
    assert not list((tmp_path / "a").rglob("evil*"))
    assert run("find", store.folder, "--rebuild", "--thumbnails", place).exit_code == 0


def test_a_log_without_heads_is_damage_and_not_a_package_that_is_missing(store):
    for path in (store.log / "heads").iterdir():
        path.unlink()
    assert isinstance(run("prove", store.folder, GOOD).exception, DamageError)


def test_twenty_thousand_names_are_counted_in_one_go():
    """Counted one by one they take minutes, in which nothing else in the store is told."""
    from sillwright.survey import PhotoRecord, Survey
    from sillwright.survey_file import _unsound

    photos = tuple(PhotoRecord(f"IMG_{count}.jpg", True, "ok") for count in range(20_000))
    assert list(_unsound(Survey("Lot 7", (), (), (*photos, photos[0])))) == ['photo "IMG_0.jpg" is there 2 times']


def test_folders_in_each_other_without_end_hide_no_other_damage(store, tmp_path):
    deep = store.package(BAD) / "data"
    for _ in range(1200):
        deep = deep / "d"
        deep.mkdir()
    photo = store.package(GOOD) / "data/job/IMG_1.jpg"
    photo.write_bytes(photo.read_bytes() + b"x")
    done = run("audit", store.folder)
    assert done.exit_code == 5
    assert "IMG_1.jpg" in done.output
    assert "deep in each other" in done.output
    assert isinstance(run("compare", store.package(BAD), store.package(GOOD)).exception, DamageError)
    while deep.name == "d":  # what takes folders away after tests goes down by calls too
        deep.rmdir()
        deep = deep.parent


def test_compare_does_not_follow_a_package_that_is_a_link(store, tmp_path):
    store.package(BAD).rename(tmp_path / "outside")
    store.package(BAD).symlink_to(tmp_path / "outside")
    assert isinstance(run("compare", store.package(BAD), tmp_path / "jobs" / "out").exception, DamageError)


def test_a_disk_that_is_full_between_entry_and_head_leaves_the_log_as_it_was(store, tmp_path, monkeypatch):
    from sillwright.archive import log

    before, packages = store.entries.read_bytes(), store.names()

    def full(*_: object) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(log, "_add_head", full)
    with pytest.raises(OSError, match="No space left"):
        sealed(store.folder, a_job(tmp_path / "third", "Lot 9"))
    monkeypatch.undo()
    assert (store.entries.read_bytes(), store.names()) == (before, packages)
    assert not audit_store(store, workers=1).damaged


def test_a_store_that_another_process_made_meanwhile_is_a_store(tmp_path, monkeypatch):
    from sillwright.archive import store as stores

    def made_meanwhile(folder: Path) -> bool:
        monkeypatch.undo()
        stores.make_store(folder)
        return False

    (tmp_path / "store").mkdir()
    monkeypatch.setattr(stores, "_could_become_one", made_meanwhile)
    assert stores.make_store(tmp_path / "store").packages.is_dir()


def test_a_job_whose_package_was_lost_is_sealed_under_another_name(store, tmp_path):
    import shutil

    shutil.rmtree(store.package(BAD))
    out, photos = tmp_path / "jobs" / "out", tmp_path / "jobs" / "site" / "job"
    done = run("archive", out, "-o", store.folder, "--photos", photos)
    assert done.exit_code == 0
    assert done.stdout.strip().endswith(f"{BAD}-2")
    assert [fault.kind for one in audit_store(store, workers=1).packages for fault in one.faults] == ["package missing"]


def test_a_log_cut_by_one_byte_is_told(store):
    os.truncate(store.entries, store.entries.stat().st_size - 1)
    assert run("audit", store.folder).exit_code == 5


def test_a_head_over_nothing_proves_nothing(store, tmp_path):
    path = tmp_path / "k0.json"
    head = json.loads(sorted((store.log / "heads").glob("*.json"))[0].read_text())
    path.write_text(json.dumps(head | {"tree_size": 0}))
    assert isinstance(run("prove", store.folder, GOOD, "--kept", path).exception, DamageError)


@pytest.mark.parametrize(
    ("change", "options"),
    [
        ("UPDATE thumbnail SET jpeg = 'x'", ["--thumbnails", "small"]),
        ("UPDATE bolt SET lean_deg = 9e999", ["--run", "north"]),
        ("UPDATE bolt SET setback_mm = 'x'", ["--setback-over", "1 in"]),
    ],
)
def test_cells_that_no_measurement_writes_are_damage_of_the_catalogue(store, tmp_path, monkeypatch, change, options):
    import sqlite3

    monkeypatch.chdir(tmp_path)
    assert run("find", store.folder).exit_code == 0
    with sqlite3.connect(store.catalogue) as connection:
        connection.execute(change)
    assert "--rebuild makes it again" in str(run("find", store.folder, *options).exception)


def test_what_a_package_says_steers_no_terminal(store):
    rewritten(store, lambda body: body.update(lot="\x1b[2J"), "package.json")
    rewritten(store, lambda body: body["runs"][0].update(name="\x1b[2J"))
    for words in (["find", store.folder, "--as", "csv"], ["compare", store.package(BAD), store.package(GOOD)]):
        done = run(*words)
        assert "\x1b" not in done.output + str(done.exception)
