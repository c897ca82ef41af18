"""A package that is made to do harm to who reads it is not read, and nonsense in one breaks nothing."""

from __future__ import annotations

import hashlib
import os
from pathlib import Path

import pytest
from click.testing import CliRunner

from archive_jobs import make_manifests_again, sealed_to_harm, told
from sillwright.archive import examine as examining
from sillwright.archive.audit import audit_store
from sillwright.archive.examine import examine
from sillwright.archive.store import Store
from sillwright.cli.app import app

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
