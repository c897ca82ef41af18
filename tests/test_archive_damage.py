"""Whatever is done to a package or to the log is named."""

from __future__ import annotations

import contextlib
import json
import os
import random
import shutil
from collections.abc import Callable
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest
from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey

from archive_jobs import SmallJob, a_job, let_write, make_manifests_again, sealed, sealed_to_harm, told
from sillwright.archive import examine as examining
from sillwright.archive.audit import audit_store, examine_in_store, faults_of
from sillwright.archive.examine import examine
from sillwright.archive.heads import read_head
from sillwright.archive.log import append, last_head, read_entries
from sillwright.archive.store import Store

PHOTO = "data/job/IMG_1.jpg"
RNG_SEED = 7


@pytest.fixture
def store(tmp_path: Path) -> Store:
    return sealed_to_harm(tmp_path)


@pytest.fixture
def package(store: Store) -> Path:
    return store.package(store.names()[0])


def flip(path: Path, at: int, bit: int = 0) -> None:
    content = bytearray(path.read_bytes())
    content[at % len(content)] ^= 1 << bit
    path.write_bytes(content)


def test_a_whole_store_has_no_faults(store):
    audit = audit_store(store, workers=2)
    assert not audit.damaged
    assert len(audit.packages) == 1
    assert audit.head == last_head(store)


def test_one_flipped_bit_in_any_file_is_named_by_its_file(store, package):
    for path in sorted(path for path in package.rglob("*") if path.is_file()):
        whole = path.read_bytes()
        flip(path, len(whole) // 2)
        faults = examine(package)
        inside = path.relative_to(package).as_posix()
        assert audit_store(store, workers=1).damaged, inside
        if path.parent != package:
            assert [(fault.kind, fault.path) for fault in faults] == [("changed", inside)]
        path.write_bytes(whole)
    assert examine(package) == ()


def test_three_hundred_flipped_bits_are_noticed_three_hundred_times(store, package):
    logged = {entry.name: entry for entry in read_entries(store)}
    rng = random.Random(RNG_SEED)
    files = sorted(path for path in package.rglob("*") if path.is_file())
    for _ in range(300):
        path = rng.choice(files)
        at, bit = rng.randrange(path.stat().st_size), rng.randrange(8)
        flip(path, at, bit)
        assert examine_in_store(store, package.name, logged), (path.name, at, bit)
        flip(path, at, bit)


def test_a_truncated_file_is_changed(package):
    os.truncate(package / PHOTO, 100)
    assert [(fault.kind, fault.path) for fault in examine(package)] == [("changed", PHOTO)]


def test_an_emptied_file_is_changed(package):
    os.truncate(package / PHOTO, 0)
    assert [(fault.kind, fault.path) for fault in examine(package)] == [("changed", PHOTO)]


@pytest.mark.parametrize("place", ["data/job/IMG_9.jpg", "data/more/notes.txt", "notes.txt", "more/notes.txt"])
def test_an_added_file_is_named(package, place):
    (package / place).parent.mkdir(exist_ok=True)
    (package / place).write_text("added")
    assert [(fault.kind, fault.path) for fault in examine(package)] == [("added", place)]


def test_a_missing_file_is_named_and_the_rest_is_read_all_the_same(package):
    (package / PHOTO).unlink()
    flip(package / "data/job/IMG_2.jpg", 50)
    assert {(fault.kind, fault.path) for fault in examine(package)} == {
        ("missing", PHOTO),
        ("changed", "data/job/IMG_2.jpg"),
    }


def test_a_renamed_file_is_missing_and_added(package):
    (package / PHOTO).rename(package / "data/job/IMG_9.jpg")
    assert {(fault.kind, fault.path) for fault in examine(package)} == {
        ("missing", PHOTO),
        ("added", "data/job/IMG_9.jpg"),
    }


def test_two_files_that_changed_places_are_both_named(package):
    first, second = package / PHOTO, package / "data/job/IMG_2.jpg"
    one, other = first.read_bytes(), second.read_bytes()
    first.write_bytes(other)
    second.write_bytes(one)
    assert [(fault.kind, fault.path) for fault in examine(package)] == [
        ("changed", PHOTO),
        ("changed", "data/job/IMG_2.jpg"),
    ]


@pytest.mark.parametrize("manifest", ["manifest-sha256.txt", "manifest-sha512.txt"])
def test_a_manifest_whose_lines_changed_places_is_named(package, manifest):
    lines = (package / manifest).read_text().splitlines(keepends=True)
    (package / manifest).write_text("".join(reversed(lines)))
    assert [(fault.kind, fault.path) for fault in examine(package)] == [("changed", manifest)]


@pytest.mark.parametrize("manifest", ["tagmanifest-sha256.txt", "tagmanifest-sha512.txt"])
def test_a_tag_manifest_whose_lines_changed_places_is_not_the_logged_one(store, package, manifest):
    lines = (package / manifest).read_text().splitlines(keepends=True)
    (package / manifest).write_text("".join(reversed(lines)))
    assert told(audit_store(store, workers=1)) == {("not the logged one", manifest)}


@pytest.mark.parametrize("algorithm", ["sha256", "sha512"])
def test_a_false_checksum_in_one_list_is_told_of_the_list_and_not_of_the_file(store, package, algorithm):
    manifest = f"tagmanifest-{algorithm}.txt"
    lines = (package / manifest).read_text().splitlines(keepends=True)
    line = next(k for k, one in enumerate(lines) if one.rstrip().endswith("bag-info.txt"))
    lines[line] = ("0" if lines[line][0] != "0" else "1") + lines[line][1:]
    (package / manifest).write_text("".join(lines))
    assert told(audit_store(store, workers=1)) == {("malformed", manifest), ("not the logged one", manifest)}


@pytest.mark.parametrize("gone", sorted(examining.TAG_FILES))
def test_a_missing_file_of_the_bag_itself_is_named(store, package, gone):
    (package / gone).unlink()
    assert ("missing", gone) in told(audit_store(store, workers=1))


def test_a_file_changed_with_all_its_checksums_is_found_by_the_log(store, package):
    (package / "data/results/report.html").write_text("<p>forged</p>")
    make_manifests_again(package)
    assert examine(package) == ()
    lists = ("tagmanifest-sha256.txt", "tagmanifest-sha512.txt")
    assert told(audit_store(store, workers=1)) == {("not the logged one", name) for name in lists}


def test_a_package_that_is_damaged_is_not_taken_for_the_same_sealed_before(tmp_path):
    job = a_job(tmp_path / "1")
    store, first = sealed(tmp_path / "store", job)
    let_write(store)
    (store.package(first.name) / "data/job/IMG_1.jpg").write_bytes(b"another")
    _, second = sealed(tmp_path / "store", job)
    assert second.is_new
    assert second.name != first.name
    assert examine(store.package(second.name)) == ()


def test_a_missing_package_and_one_that_was_put_there_are_named(store, package, tmp_path):
    other, one = sealed(tmp_path / "other", a_job(tmp_path / "2", "Lot 8"))
    shutil.copytree(other.package(one.name), store.package(one.name))
    shutil.rmtree(package)
    audit = audit_store(store, workers=1)
    assert [(name, fault.kind) for name, fault in faults_of(audit)] == [
        (package.name, "package missing"),
        (one.name, "not in log"),
    ]


def test_what_is_no_package_among_the_packages_is_named(store):
    (store.packages / "Holiday Photos").mkdir()
    (store.packages / ".building-killed").mkdir()
    assert told(audit_store(store, workers=1)) == {("added", "packages/Holiday Photos")}


def test_the_same_package_under_another_name_is_not_in_the_log(store, package):
    shutil.copytree(package, store.package("copy"))
    assert [(name, fault.kind) for name, fault in faults_of(audit_store(store, workers=1))] == [("copy", "not in log")]


# The log


def three(tmp_path: Path, key: Ed25519PrivateKey | None = None) -> tuple[Store, list[SmallJob]]:
    jobs = [a_job(tmp_path / str(count), f"Lot {count}") for count in range(3)]
    for job in jobs:
        store, one = sealed(tmp_path / "three", job)
        if key is not None:
            append(store, one.name, 1, key)
    return store, jobs


@pytest.mark.parametrize(
    "change",
    [
        lambda lines: [*lines[1:], lines[0]],
        lambda lines: [lines[1], lines[0], lines[2]],
        lambda lines: lines[1:],
        lambda lines: lines[:-1],
        lambda lines: [lines[0], lines[0].replace("lot-0", "lot-9"), *lines[1:]],
        lambda lines: [*lines, lines[0]],
        lambda lines: [],
    ],
    ids=["turned", "swapped", "first gone", "last gone", "put between", "one twice", "emptied"],
)
def test_entries_that_were_moved_taken_away_or_put_in_are_noticed(
    tmp_path: Path, change: Callable[[list[str]], list[str]]
) -> None:
    store, _ = three(tmp_path)
    entries = store.log / "entries.txt"
    entries.write_text("".join(change(entries.read_text().splitlines(keepends=True))))
    assert any(fault.kind == "log" for fault in audit_store(store, workers=1).log_faults)


def test_a_log_that_was_tampered_with_is_not_gone_on_with(tmp_path):
    from sillwright.errors import DamageError

    store, _ = three(tmp_path)
    entries = store.log / "entries.txt"
    entries.write_text("".join(reversed(entries.read_text().splitlines(keepends=True))))
    with pytest.raises(DamageError, match="does not agree with its own last head"):
        sealed(store.folder, a_job(tmp_path / "more", "Lot 9"))


def test_a_log_made_anew_as_a_whole_is_found_by_a_head_kept_elsewhere(tmp_path):
    store, jobs = three(tmp_path)
    kept = last_head(store)
    forged, _ = sealed(tmp_path / "forged", a_job(tmp_path / "f", "Lot 0", shade=20))
    for job in jobs[1:]:
        sealed(forged.folder, job)
    assert not audit_store(forged, workers=1).damaged
    assert told(audit_store(forged, workers=1, kept=kept, anew=True)) == {("log", "log/entries.txt")}
    assert not audit_store(store, workers=1, kept=kept).damaged


def test_an_earlier_head_still_holds_when_the_log_has_grown(tmp_path):
    store, _ = sealed(tmp_path / "store", a_job(tmp_path / "1", "Lot 1"))
    kept = last_head(store)
    sealed(store.folder, a_job(tmp_path / "2", "Lot 2"))
    assert not audit_store(store, workers=1, kept=kept).damaged


def test_every_package_must_be_covered_by_the_key_that_is_asked_for(tmp_path):
    key, other = Ed25519PrivateKey.generate(), Ed25519PrivateKey.generate()
    store, _ = three(tmp_path, key)
    assert audit_store(store, workers=1, key=key.public_key()).unsigned == ()
    assert len(audit_store(store, workers=1, key=other.public_key()).unsigned or ()) == 3
    _, late = sealed(store.folder, a_job(tmp_path / "late", "Lot 4"))
    audit = audit_store(store, workers=1, key=key.public_key())
    assert audit.unsigned == (late.name,)
    assert audit.damaged


def test_a_head_changed_after_it_was_signed_shows(tmp_path):
    store, _ = three(tmp_path, Ed25519PrivateKey.generate())
    path = sorted((store.log / "heads").iterdir())[-1]
    path.write_text(path.read_text().replace('"timestamp_ms": 1', '"timestamp_ms": 2'))
    assert read_head(path).timestamp_ms > 1
    (fault,) = audit_store(store, workers=1).log_faults
    assert "false signature" in fault.told


# Going on


def test_an_audit_that_was_cut_off_goes_on_and_one_from_yesterday_begins_anew(tmp_path):
    store, _ = three(tmp_path)
    audit_store(store, workers=1)
    last, running = store.audit / "last.jsonl", store.audit / "running.jsonl"
    lines = last.read_text().splitlines(keepends=True)
    running.write_text("".join(lines[:3]) + lines[3][:10])
    now = datetime.now(UTC)
    assert audit_store(store, workers=1, now=now, resume=True).gone_on == 2
    running.write_text("".join(lines[:3]) + lines[3][:10])
    assert audit_store(store, workers=1, now=now + timedelta(hours=25), resume=True).gone_on == 0
    running.write_text("".join(lines[:3]))
    assert audit_store(store, workers=1, now=now).gone_on == 0


def test_an_audit_reads_first_what_one_that_was_cut_off_did_not_come_to(tmp_path):
    store, _ = three(tmp_path)
    names = store.names()

    def order(cut_after: int) -> list[str]:
        def stop(done: int, _: int) -> None:
            if done == cut_after:
                raise KeyboardInterrupt

        with contextlib.suppress(KeyboardInterrupt):
            audit_store(store, workers=1, progress=stop)
        path = store.audit / "running.jsonl"
        text = (path if path.exists() else store.audit / "last.jsonl").read_text()
        return [json.loads(line)["name"] for line in text.splitlines()[1:]][-cut_after:]

    assert order(cut_after=2) == names[:2]
    assert order(cut_after=2) == [names[2], names[0]]
    assert order(cut_after=3) == [names[1], names[2], names[0]]


def test_what_was_found_damaged_or_is_gone_since_is_looked_at_again(tmp_path):
    store, _ = three(tmp_path)
    photo = store.package(store.names()[0]) / PHOTO
    photo.chmod(0o644)
    flip(photo, 50)
    audit_store(store, workers=1)
    lines = (store.audit / "last.jsonl").read_text()
    flip(photo, 50)
    shutil.rmtree(store.package(store.names()[1]))
    (store.audit / "running.jsonl").write_text(lines)
    audit = audit_store(store, workers=1, resume=True)
    assert audit.gone_on == 1
    assert told(audit) == {("package missing", "")}


@pytest.mark.parametrize("content", ["", "\n", "{}\n", "[]\n", '{"begun": 3}\n', "x", '{"begun": "2026-01-01"}\n'])
def test_notes_that_make_no_sense_are_not_gone_on_with(store, content):
    audit_store(store, workers=1)
    (store.audit / "running.jsonl").write_text(content)
    audit = audit_store(store, workers=1, resume=True)
    assert (audit.gone_on, audit.damaged, len(audit.packages)) == (0, False, 1)
