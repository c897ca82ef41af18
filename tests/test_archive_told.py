"""What was passed over in silence once: each thing wrong beside another, in the log, and among the stamps is named."""

from __future__ import annotations

import errno
import json
import os
import shutil
import subprocess
import sys
from datetime import UTC, datetime
from pathlib import Path

import pytest
from click.testing import CliRunner, Result
from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey
from cryptography.hazmat.primitives.serialization import Encoding, PublicFormat, load_pem_public_key

from archive_jobs import a_job, let_write, sealed, sealed_to_harm, told
from sillwright.archive import notes
from sillwright.archive.audit import audit_store
from sillwright.archive.keep import keep
from sillwright.archive.log import append, head_path
from sillwright.archive.store import Store, make_store
from sillwright.cli.app import app
from sillwright.errors import DamageError, JobError
from sillwright.plates.record_file import read_plan
from sillwright.survey_file import read_survey
from sillwright.tell.archive_words import audit_closing


def run(*words: object) -> Result:
    return CliRunner().invoke(app, [str(word) for word in words])


def the_package(store: Store) -> Path:
    (name,) = store.names()
    return store.package(name)


def three_sealed(folder: Path) -> Store:
    for count in range(3):
        store, _ = sealed(folder / "store", a_job(folder / str(count), f"Lot {count}", shade=20 * count))
    return store


# One fault does not hide another


@pytest.mark.parametrize("name", ["bagit.txt", "manifest-sha256.txt", "tagmanifest-sha512.txt"])
@pytest.mark.parametrize("harm", ["a byte", "gone"])
def test_harm_to_one_tag_file_does_not_hide_harm_to_a_photo(tmp_path, name, harm):
    store = sealed_to_harm(tmp_path)
    package = the_package(store)
    if harm == "gone":
        (package / name).unlink()
    else:
        content = bytearray((package / name).read_bytes())
        content[3] ^= 1
        (package / name).write_bytes(content)
    (package / "data/job/IMG_1.jpg").write_bytes(b"another")
    (package / "data/results/report.html").unlink()
    (package / "data/results/new.txt").write_text("new")
    faults = told(audit_store(store, workers=1))
    assert {
        ("changed", "data/job/IMG_1.jpg"),
        ("missing", "data/results/report.html"),
        ("added", "data/results/new.txt"),
    } <= faults
    assert name in {path for _, path in faults}


def test_a_package_that_is_not_safe_says_that_nothing_else_was_read(tmp_path):
    store = sealed_to_harm(tmp_path)
    (the_package(store) / "data/link").symlink_to("/etc/passwd")
    done = run("audit", store.folder)
    assert done.exit_code == 5
    assert "nothing else in this package was read" in done.stdout


def test_an_empty_folder_that_was_added_is_named(tmp_path):
    store = sealed_to_harm(tmp_path)
    (the_package(store) / "data" / "extra").mkdir()
    assert told(audit_store(store, workers=1)) == {("added", "data/extra/")}


# The log


def test_no_log_is_begun_over_packages_that_lost_theirs(tmp_path):
    store = three_sealed(tmp_path)
    shutil.rmtree(store.log)
    before = store.names()
    job = a_job(tmp_path / "new", "Lot 9")
    done = run("archive", job.out, "-o", store.folder, "--photos", job.folder)
    assert isinstance(done.exception, DamageError)
    assert "entries.txt is missing, and packages lie in the store" in str(done.exception)
    assert (store.names(), store.entries.exists()) == (before, False)
    faults = audit_store(store, workers=1)
    assert [fault.kind for fault in faults.log_faults] == ["log"]
    assert not any(one.faults for one in faults.packages)  # no advice to archive once more, which would hide it


def test_a_run_that_was_killed_between_entry_and_head_leaves_no_gap(tmp_path):
    store = three_sealed(tmp_path)
    head_path(store, 3).unlink()
    sealed(store.folder, a_job(tmp_path / "new", "Lot 9"))
    assert told(audit_store(store, workers=1)) == set()


def test_a_log_whose_last_heads_were_taken_away_is_not_gone_on_with(tmp_path):
    store = three_sealed(tmp_path)
    head_path(store, 3).unlink()
    head_path(store, 2).unlink()
    with pytest.raises(DamageError, match="no head for the last 2 entries"):
        append(store, store.names()[0], 1)


def test_a_missing_head_in_the_middle_and_a_stray_file_in_the_log_are_named(tmp_path):
    store = three_sealed(tmp_path)
    head_path(store, 2).unlink()
    (store.log / "heads" / "note.txt").write_text("mine")
    (store.log / "entries-old.txt").write_text("mine")
    (store.log / ".entries.txt.abc123").write_text("of a killed writer")
    audit = audit_store(store, workers=1)
    assert told(audit) == {("log", "log/heads"), ("added", "log/heads/note.txt"), ("added", "log/entries-old.txt")}
    assert "no head for 1 of 3 entries (number 2)" in "".join(fault.told for fault in audit.log_faults)


# What never ends, or leads elsewhere


@pytest.mark.parametrize("inside", ["data/package.json", "manifest-sha256.txt"])
@pytest.mark.parametrize("kind", ["pipe", "link"])
def test_a_pipe_or_a_link_in_a_package_of_the_same_name_does_not_hold_archive_up(tmp_path, inside, kind):
    """In a process of its own: opening a pipe without a writer would hold this one up."""
    store = sealed_to_harm(tmp_path)
    path = the_package(store) / inside
    path.rename(tmp_path / "kept")
    if kind == "pipe":
        os.mkfifo(path)
    else:
        path.symlink_to(tmp_path / "kept")
    out, photos = tmp_path / "jobs" / "out", tmp_path / "jobs" / "site" / "job"
    words = ["archive", str(out), "-o", str(store.folder), "--photos", str(photos)]
    done = subprocess.run(
        [sys.executable, "-m", "sillwright", *words], capture_output=True, text=True, timeout=60, check=False
    )
    assert done.returncode == 0, done.stderr
    assert done.stdout.strip().endswith("-2")  # what cannot be read is not taken for the same


@pytest.mark.parametrize("where", ["log/entries.txt", "log/heads/00000001.json", "tagmanifest-sha256.txt", "stamp"])
def test_a_pipe_in_the_store_does_not_hold_the_audit_up(tmp_path, where):
    store = sealed_to_harm(tmp_path)
    path = the_package(store) / where if where.startswith("tag") else store.folder / where
    if where == "stamp":
        path = store.token(the_package(store).name)
        path.parent.mkdir()
    path.unlink(missing_ok=True)
    os.mkfifo(path)
    done = subprocess.run(
        [sys.executable, "-m", "sillwright", "audit", str(store.folder)], capture_output=True, timeout=60, check=False
    )
    assert done.returncode == 5


# Notes


def test_an_audit_says_how_many_packages_it_did_not_read_again(tmp_path, monkeypatch):
    store = three_sealed(tmp_path)
    now = datetime.now(UTC)
    begun = [{"begun": now.isoformat()}, *({"name": name, "faults": []} for name in store.names()[:2])]
    store.audit.mkdir()
    (store.audit / "running.jsonl").write_text("".join(json.dumps(one) + "\n" for one in begun))
    said = audit_closing(audit_store(store, workers=1, now=now, resume=True))
    assert "Read now: 1; not read: 2, which by its notes" in said
    assert "without --resume all is read" in said
    done = run("audit", store.folder, "--resume")
    assert done.exit_code == 0  # the notes were done with, and all was read


def notes_of_all(store: Store) -> None:
    begun = [{"begun": datetime.now(UTC).isoformat()}, *({"name": name, "faults": []} for name in store.names())]
    store.audit.mkdir(exist_ok=True)
    (store.audit / "running.jsonl").write_text("".join(json.dumps(one) + "\n" for one in begun))


def test_notes_in_the_store_hide_no_damage_unless_they_are_asked_for(tmp_path):
    store = three_sealed(tmp_path)
    let_write(store)
    (store.package(store.names()[0]) / "data/job/IMG_1.jpg").write_bytes(b"x")
    notes_of_all(store)
    assert run("audit", store.folder).exit_code == 5
    notes_of_all(store)
    done = run("audit", store.folder, "--resume")
    assert done.exit_code == 1
    assert "Read now: 0; not read: 3" in done.stdout


@pytest.mark.parametrize("option", ["--key", "--kept", "--anew"])
def test_resuming_is_refused_where_all_must_be_read(tmp_path, option):
    store = three_sealed(tmp_path)
    key = Ed25519PrivateKey.generate().public_key()
    (tmp_path / "key.pem").write_bytes(key.public_bytes(Encoding.PEM, PublicFormat.SubjectPublicKeyInfo))
    given = {"--key": [tmp_path / "key.pem"], "--kept": [store.log / "heads" / "00000003.json"], "--anew": []}[option]
    done = run("audit", store.folder, "--resume", option, *given)
    assert done.exit_code == 2
    assert f"{option} cannot be used here: --resume" in done.stderr


def test_an_audit_whose_notes_find_no_room_reads_all_and_says_so(tmp_path, monkeypatch):
    store = three_sealed(tmp_path)
    let_write(store)
    (store.package(store.names()[2]) / "data/job/IMG_1.jpg").write_bytes(b"x")

    def full(self: notes.Notes, what: object) -> None:
        self._lose(OSError(28, "No space left on device"))

    monkeypatch.setattr(notes.Notes, "add", full)
    done = run("audit", store.folder)
    assert done.exit_code == 5
    assert "running.jsonl cannot be written (No space left on device)" in done.stdout
    assert "Make room" in done.stdout
    assert not (store.audit / "running.jsonl").exists()


@pytest.mark.parametrize(
    ("fault", "to_do"),
    [
        (
            errno.EROFS,
            "(Read-only file system). It read everything; had it been cut off, the next would begin anew. Let",
        ),
        (
            errno.ENOSPC,
            "(No space left on device). It read everything; had it been cut off, the next would begin anew. M",
        ),
    ],
)
def test_why_the_folder_of_notes_could_not_be_made_is_told_as_it_is(tmp_path, monkeypatch, fault, to_do):
    store = sealed_to_harm(tmp_path)
    shutil.rmtree(store.audit, ignore_errors=True)
    make = Path.mkdir

    def refused(path: Path, *words: object, **more: object) -> None:
        if path == store.audit:
            raise OSError(fault, os.strerror(fault))
        make(path, *words, **more)

    monkeypatch.setattr(Path, "mkdir", refused)
    done = run("audit", store.folder)
    assert done.exit_code == 0
    assert to_do in done.stdout


# Stamps, proofs, and options that have no meaning


def test_a_token_under_a_name_that_no_package_has_is_named(tmp_path):
    store = sealed_to_harm(tmp_path)
    (store.folder / "stamps").mkdir()
    (store.folder / "stamps" / "typo.tsr").write_bytes(b"token")
    done = run("audit", store.folder)
    assert done.exit_code == 5
    assert "stamps/typo.tsr: the time stamp: is of no package that is here" in done.stdout


def test_a_proof_says_how_it_is_checked_and_the_words_are_true(tmp_path):
    """By the words alone, with hashlib and the key as PEM: no code of the archive's own."""
    from hashlib import sha256

    key = Ed25519PrivateKey.generate()
    store = make_store(tmp_path / "store")
    for count in range(2):
        name = keep(store, a_job(tmp_path / str(count), f"Lot {count}").contents(), key=key).sealed.name
    body = json.loads(run("prove", store.folder, name).stdout)
    words = " ".join(body["how"])
    assert all(one in words for one in ("tagmanifest-sha512.txt", "line feed", "RFC 9162, 2.1.3.2", "RFC 8032"))
    package = store.package(name)
    digests = [sha256((package / f"tagmanifest-{one}.txt").read_bytes()).hexdigest() for one in ("sha256", "sha512")]
    assert body["entry"] == " ".join([name, *digests])
    leaf = sha256(b"\0" + body["entry"].encode("ascii")).digest()
    (beside,) = body["inclusion_path"]
    root = sha256(b"\1" + bytes.fromhex(beside) + leaf).digest()
    assert root.hex() == body["head"]["root_hash"]
    size = body["head"]["tree_size"].to_bytes(8)
    signed = body["head"]["timestamp_ms"].to_bytes(8) + size + bytes([32]) + root + b"\0\0"
    assert signed.hex() == body["signed_bytes"]
    public = load_pem_public_key(body["public_keys_pem"][0].encode())
    public.verify(bytes.fromhex(body["head"]["signatures"][0]["signature"]), signed)


def test_for_one_package_options_are_honoured_or_refused_by_name(tmp_path):
    store = sealed_to_harm(tmp_path)
    package = the_package(store)
    (tmp_path / "any.pem").write_text("")
    assert json.loads(run("audit", package, "--json").stdout)["faults"] == []
    done = run("audit", package, "--stamp-roots", tmp_path / "any.pem")
    assert done.exit_code == 2
    assert "--stamp-roots cannot be used here" in done.stderr
    done = run("audit", package, "--measure-again", "another")
    assert done.exit_code == 2
    assert "and not 'another'" in done.stderr
    done = run("audit", store.folder, "--measure-again", package.name, "--json")
    assert done.exit_code == 2
    assert "--json cannot be used here" in done.stderr
    (package / "data/job/IMG_1.jpg").write_bytes(b"x")
    done = run("audit", package, "--json")
    assert done.exit_code == 5
    assert [fault["path"] for fault in json.loads(done.stdout)["faults"]] == ["data/job/IMG_1.jpg"]


def test_notes_nested_without_end_do_not_stop_an_audit(tmp_path):
    store = sealed_to_harm(tmp_path)
    store.audit.mkdir(exist_ok=True)
    (store.audit / "running.jsonl").write_text("[" * 300_000 + "\n")
    (the_package(store) / "data/job/IMG_1.jpg").write_bytes(b"another")
    assert ("changed", "data/job/IMG_1.jpg") in told(audit_store(store, workers=1))


def test_a_record_nested_without_end_is_a_sentence(tmp_path):
    for read, name in ((read_survey, "survey.json"), (read_plan, "plates.json")):
        (tmp_path / name).write_text("[" * 300_000)
        with pytest.raises(JobError, match=f"{name} is not a"):
            read(tmp_path / name)
