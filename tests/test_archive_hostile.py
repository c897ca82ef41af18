"""A package that is made to do harm to who reads it is not read, and nonsense in one breaks nothing."""

from __future__ import annotations

import hashlib
import os
from pathlib import Path

import pytest
from click.testing import CliRunner

from archive_jobs import a_job, make_manifests_again, sealed, sealed_to_harm, told
from sillwright.archive import examine as examining
from sillwright.archive.audit import audit_store
from sillwright.archive.examine import examine
from sillwright.archive.store import Store
from sillwright.cli.app import app
from sillwright.errors import DamageError

PHOTO = "data/job/IMG_1.jpg"


@pytest.fixture
def store(tmp_path: Path) -> Store:
    return sealed_to_harm(tmp_path)


@pytest.fixture
def package(store: Store) -> Path:
    return store.package(store.names()[0])


def unsafe(package: Path) -> bool:
    return any(fault.kind == "unsafe" for fault in examine(package))


@pytest.mark.parametrize("place", [PHOTO, "bagit.txt", "manifest-sha256.txt", "data/package.json", "data/job"])
def test_a_link_in_place_of_a_file_is_not_followed(package, tmp_path, place):
    secret = tmp_path / "secret"
    (package / place).rename(secret)
    (package / place).symlink_to(secret)
    assert unsafe(package)


def test_a_package_that_is_a_link_is_not_followed(store, package, tmp_path):
    package.rename(tmp_path / "elsewhere")
    package.symlink_to(tmp_path / "elsewhere")
    assert told(audit_store(store, workers=1)) == {("unsafe", "")}


def test_a_pipe_does_not_hold_the_audit_up(package):
    (package / PHOTO).unlink()
    os.mkfifo(package / PHOTO)
    assert unsafe(package)


@pytest.mark.parametrize(
    "path",
    [
        "../../../etc/passwd",
        "data/../../other/x",
        "/etc/passwd",
        "~/.ssh/id",
        "~root/x",
        "C:\\x",
        "data\\..\\x",
        "C:/x",
        "..",
    ],
)
@pytest.mark.parametrize("manifest", sorted(one for one in examining.TAG_FILES if "manifest" in one))
def test_a_manifest_that_leads_out_of_the_package_is_refused(package, path, manifest):
    with (package / manifest).open("a") as stream:
        stream.write(f"{'0' * 64}  {path}\n")
    assert unsafe(package)


def test_a_path_into_a_folder_beside_that_begins_alike_is_refused(store, package):
    """A comparison of the letters of two paths takes ``lot-7-2`` for a place inside of ``lot-7``."""
    beside = Path(f"{package}-2")
    beside.mkdir()
    (beside / "x").write_text("x")
    for algorithm in ("sha256", "sha512"):
        with (package / f"manifest-{algorithm}.txt").open("a") as stream:
            stream.write(f"{hashlib.new(algorithm, b'x').hexdigest()}  ../{beside.name}/x\n")
    assert unsafe(package)


@pytest.mark.parametrize(
    ("name", "content"),
    [
        ("bagit.txt", b"BagIt-Version: 9.9\nTag-File-Character-Encoding: UTF-8\n"),
        ("bagit.txt", b"BagIt-Version: 1.0\nTag-File-Character-Encoding: rot13\n"),
        ("bagit.txt", b"BagIt-Version: x\nTag-File-Character-Encoding: \xff\n"),
        ("bagit.txt", b""),
        ("bag-info.txt", b"\xff\xfe\x00"),
        ("manifest-sha256.txt", b""),
        ("manifest-sha256.txt", b"\x00" * 1000),
        ("manifest-sha512.txt", b"no checksum\n"),
        ("manifest-sha512.txt", b"\xff\xfe"),
        ("tagmanifest-sha256.txt", b"\n\n\n"),
        ("data/package.json", b"{}"),
        (
            "data/package.json",
            b'{"schema": "sillwright-package-1", "job": "x", "lot": "", "day": "", "day_from": "photos", '
            b'"sealed_at": "", "signed_off": null, "job_file": "../../job.toml", "profile": null, "photos": 1, '
            b'"measured_by": ""}',
        ),
        ("data/package.json", b"[" * 100_000),
    ],
)
def test_nonsense_in_place_of_a_file_is_told_and_breaks_nothing(store, package, name, content):
    (package / name).write_bytes(content)
    assert audit_store(store, workers=1).damaged
    make_again = "manifest" not in name and name != "bagit.txt"
    if make_again:
        make_manifests_again(package)
        assert audit_store(store, workers=1).damaged


def test_a_fetch_list_is_no_part_of_a_package(package):
    (package / "fetch.txt").write_text("http://example.org/x 1 data/x\n")
    assert [(fault.kind, fault.path) for fault in examine(package)] == [("added", "fetch.txt")]


def test_a_package_with_more_files_than_any_of_ours_is_not_read(package, monkeypatch):
    monkeypatch.setattr(examining, "MOST_FILES", 5)
    assert unsafe(package)
    monkeypatch.undo()
    monkeypatch.setattr(examining, "LARGEST_MANIFEST", 100)
    assert unsafe(package)


def test_names_that_are_no_text_or_steer_a_terminal_are_told_harmlessly(store, package):
    for name in (b"\xff\xfe.jpg", b"\x1b[2J\x1b[31mred.jpg", b"a\nb.jpg"):
        (package / "data" / os.fsdecode(name)).write_text("x")
    for words in (["audit", store.folder], ["audit", package], ["audit", store.folder, "--json"]):
        done = CliRunner().invoke(app, [*map(str, words)])
        assert done.exit_code == 5, done.exception
        assert "\x1b" not in done.stdout
    assert done.stdout.count('"kind": "added"') == 3


def hostile_manifest(package: Path) -> None:
    with (package / "manifest-sha256.txt").open("a") as stream:
        stream.write(f"{'0' * 64}  ../../elsewhere\n")


def planted_link(package: Path) -> None:
    (package / "data" / "more").symlink_to("/")


def fetch_list(package: Path) -> None:
    (package / "fetch.txt").write_text("http://example.org/x 1 data/x\n")


def no_longer_a_folder(package: Path) -> None:
    package.rename(package.parent.parent / "elsewhere")
    package.symlink_to(package.parent.parent / "elsewhere")


HARMS = [hostile_manifest, planted_link, fetch_list, no_longer_a_folder]


@pytest.mark.parametrize("harm", HARMS)
@pytest.mark.parametrize("options", [[], ["--where-taken"]])
def test_find_tells_of_a_package_made_to_do_harm_and_does_not_use_it(store, package, harm, options):
    harm(package)
    (store.folder / "catalogue.sqlite").unlink(missing_ok=True)
    done = CliRunner().invoke(app, ["find", str(store.folder), "--as", "csv", *options])
    assert done.exit_code == 5, done.exception
    assert package.name in done.stderr
    assert len(done.stdout.splitlines()) == 1  # the columns' names


def test_where_photos_were_taken_is_not_read_from_a_package_that_was_harmed_since(store, package):
    assert CliRunner().invoke(app, ["find", str(store.folder)]).exit_code == 0
    planted_link(package)
    done = CliRunner().invoke(app, ["find", str(store.folder), "--where-taken"])
    assert done.exit_code == 5, done.exception
    assert "not safe to read: data/more is a link" in done.stderr


@pytest.mark.parametrize("harm", [hostile_manifest, planted_link, fetch_list])
@pytest.mark.parametrize("is_first", [True, False])
def test_compare_refuses_a_package_made_to_do_harm(package, tmp_path, harm, is_first):
    harm(package)
    results = tmp_path / "jobs" / "out"
    sides = (package, results) if is_first else (results, package)
    done = CliRunner().invoke(app, ["compare", *map(str, sides)])
    assert isinstance(done.exception, DamageError)
    assert f"{package.name} is not safe to read" in str(done.exception)


PARTS = ["packages", "log", "log/heads", "log/entries.txt", "stamps", "audit", "catalogue.sqlite", ".lock"]


@pytest.mark.parametrize("part", PARTS)
@pytest.mark.parametrize("kind", ["link", "pipe"])
@pytest.mark.parametrize("command", ["archive", "audit", "find", "prove"])
def test_a_store_whose_parts_are_links_or_pipes_is_not_used(store, tmp_path, part, kind, command):
    stood, elsewhere, name = store.folder / part, tmp_path / "elsewhere", store.names()[0]
    if stood.exists():
        stood.rename(elsewhere)
    if kind == "link":
        stood.symlink_to(elsewhere)
    else:
        os.mkfifo(stood)
    before = sorted(tmp_path.rglob("*"))
    words = {
        "archive": ["archive", tmp_path / "jobs" / "out", "-o", store.folder, "--photos", tmp_path / "jobs/site/job"],
        "audit": ["audit", store.folder],
        "find": ["find", store.folder],
        "prove": ["prove", store.folder, name],
    }[command]
    done = CliRunner().invoke(app, [*map(str, words)])
    assert isinstance(done.exception, DamageError)
    assert f"{stood} is " in str(done.exception)
    assert sorted(tmp_path.rglob("*")) == before


@pytest.mark.parametrize("kind", ["file", "link"])
def test_a_stranger_named_like_a_package_being_built_is_left_and_told(store, tmp_path, kind):
    stray, elsewhere = store.packages / ".building-x", tmp_path / "elsewhere"
    elsewhere.mkdir()
    (elsewhere / "kept").touch()
    if kind == "file":
        stray.touch()
    else:
        stray.symlink_to(elsewhere)
    sealed(store.folder, a_job(tmp_path / "more", "Lot 8"))
    assert len(store.names()) == 2
    assert (elsewhere / "kept").exists()
    assert ("added", "packages/.building-x") in told(audit_store(store, workers=1))
