"""Killed at any moment, full disk, two at once: a package is whole or absent, and the next run completes."""

from __future__ import annotations

import multiprocessing
import os
import random
import signal
import subprocess
import time
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest
from click.testing import CliRunner

from archive_jobs import SmallJob, a_job, make_manifests_again, sealed, told
from sillwright.archive.audit import audit_store, faults_of
from sillwright.archive.log import read_entries
from sillwright.archive.seal import seal
from sillwright.archive.store import BUILDING, Store, open_store, writing
from sillwright.cli.app import app

KILLS = 50
RNG_SEED = 3
FORK = multiprocessing.get_context("fork")  # a child that has everything loaded, so that kills fall into the work


def archive_and_audit(folder: Path, job: SmallJob) -> None:
    store, _ = sealed(folder, job)
    audit_store(store, workers=2)


def kill_after(seconds: float, work: Callable[..., None], *given: object) -> None:
    child = FORK.Process(target=work, args=given)
    child.start()
    time.sleep(seconds)
    assert child.pid is not None
    os.kill(child.pid, signal.SIGKILL)
    child.join()


def check_in_between(store: Store) -> None:
    """After a kill: what has a package's name is whole, and the log speaks of nothing that is not there."""
    # ``anew`` leaves the notes of the killed audit as they were found for the next child to go on with.
    notes = store.audit / "running.jsonl"
    held = notes.read_bytes() if notes.exists() else None
    audit = audit_store(store, workers=1, anew=True)
    if held is not None:
        notes.write_bytes(held)
    unfinished = {"unfinished", "log"}
    for _, fault in faults_of(audit):
        assert fault.kind in unfinished
        assert fault.kind != "log" or "run archive again" in fault.told


def test_killed_at_fifty_moments_nothing_is_half_made_and_the_next_run_completes(tmp_path):
    jobs = [a_job(tmp_path / "jobs" / str(count), f"Lot {count}") for count in range(KILLS)]
    first = a_job(tmp_path / "jobs" / "first", "First")
    folder = tmp_path / "store"
    begun = time.monotonic()
    archive_and_audit(folder, first)
    whole_s = time.monotonic() - begun
    store, rng = open_store(folder), random.Random(RNG_SEED)
    for job in jobs:
        kill_after(rng.uniform(0.0, whole_s), archive_and_audit, folder, job)
        check_in_between(store)
    for job in jobs:
        sealed(folder, job)
    audit = audit_store(store, workers=2)
    assert not audit.damaged
    assert len(audit.packages) == KILLS + 1
    assert audit.head is not None
    assert audit.head.tree_size == KILLS + 1
    assert [entry.name for entry in store.packages.iterdir() if entry.name.startswith(BUILDING)] == []


def test_the_next_archiving_of_anything_puts_into_the_log_what_a_killed_one_had_sealed(tmp_path):
    store, _ = sealed(tmp_path / "store", a_job(tmp_path / "1", "Lot 1"))
    with writing(store):  # and killed before the log
        cut = seal(store, a_job(tmp_path / "2", "Lot 2").contents()).name
    assert told(audit_store(store, workers=1)) == {("unfinished", "")}
    job = a_job(tmp_path / "3", "Lot 3")
    done = CliRunner().invoke(app, ["archive", str(job.out), "-o", str(store.folder), "--photos", str(job.folder)])
    assert f"{cut}, sealed by a run that was cut off, is whole and is in the log now" in done.stderr
    assert not audit_store(store, workers=1).damaged
    assert not store.unfinished.exists()


@pytest.mark.parametrize("harm", ["a byte flipped", "another package in its place", "not noted"])
def test_nothing_but_what_the_killed_run_sealed_is_put_into_the_log(tmp_path, harm):
    store, _ = sealed(tmp_path / "store", a_job(tmp_path / "1", "Lot 1"))
    with writing(store):
        package = store.package(seal(store, a_job(tmp_path / "2", "Lot 2").contents()).name)
    photo = package / "data" / "job" / "IMG_1.jpg"
    if harm == "not noted":
        store.unfinished.unlink()
    else:
        photo.chmod(0o644)
        photo.write_bytes(b"another")
    if harm == "another package in its place":
        for path in package.glob("*manifest-*"):
            path.chmod(0o644)
        make_manifests_again(package)
    sealed(store.folder, a_job(tmp_path / "3", "Lot 3"))
    assert package.name not in [entry.name for entry in read_entries(store)]
    assert ("not in log", "") in told(audit_store(store, workers=1))


def test_killed_while_the_store_is_made_the_next_run_makes_it(tmp_path):
    rng = random.Random(RNG_SEED)
    for count in range(15):
        folder, job = tmp_path / f"store{count}", a_job(tmp_path / "jobs" / str(count))
        kill_after(rng.uniform(0.0, 0.02), archive_and_audit, folder, job)
        store, _ = sealed(folder, job)
        assert not audit_store(store, workers=1, anew=True).damaged


def seal_all(folder: Path, jobs: list[SmallJob]) -> None:
    for job in jobs:
        sealed(folder, job)


def test_two_at_once_do_not_harm_each_other(tmp_path):
    shared = a_job(tmp_path / "shared", "Shared")
    sets = [
        [a_job(tmp_path / f"{who}{count}", f"Lot {count}", shade=who * 20 + count) for count in range(6)] + [shared]
        for who in (1, 2)
    ]
    children = [FORK.Process(target=seal_all, args=(tmp_path / "store", jobs)) for jobs in sets]
    for child in children:
        child.start()
    for child in children:
        child.join()
        assert child.exitcode == 0
    audit = audit_store(open_store(tmp_path / "store"), workers=2)
    assert not audit.damaged
    assert len(audit.packages) == 13


def test_an_audit_beside_archiving_sees_no_fault_but_what_is_being_put_into_the_log(tmp_path):
    jobs = [a_job(tmp_path / str(count), f"Lot {count}") for count in range(8)]
    store, _ = sealed(tmp_path / "store", jobs[0])
    child = FORK.Process(target=seal_all, args=(store.folder, jobs[1:]))
    child.start()
    while child.is_alive():
        for _, fault in faults_of(audit_store(store, workers=2)):
            assert fault.kind in ("not in log", "unfinished", "log"), fault
    child.join()
    assert child.exitcode == 0


def test_two_audits_at_once_are_told(tmp_path):
    from sillwright.archive.notes import only_audit
    from sillwright.errors import ArchiveError

    store, _ = sealed(tmp_path / "store", a_job(tmp_path))
    with only_audit(store), pytest.raises(ArchiveError, match="another audit"):
        audit_store(store, workers=1)


@pytest.fixture
def small_disk(tmp_path: Path) -> Iterator[Path]:
    """A disk of 300 kB, where this machine lets one be made."""
    folder = tmp_path / "disk"
    folder.mkdir()
    made = subprocess.run(
        ["mount", "-t", "tmpfs", "-o", "size=300k", "tmpfs", folder], capture_output=True, check=False
    )
    if made.returncode != 0:
        pytest.skip("no small disk can be made here: mount needs a right that is not given")
    yield folder
    subprocess.run(["umount", folder], check=True)


def test_a_full_disk_gives_a_sentence_and_leaves_the_old_state(tmp_path, small_disk):
    job = a_job(tmp_path / "1", "Lot 1")
    store, _ = sealed(small_disk / "store", job)
    filler = small_disk / "filler"
    before = sorted(store.folder.rglob("*"))
    log = (store.log / "entries.txt").read_bytes()
    other = a_job(tmp_path / "2", "Lot 2")
    for left_kb in range(0, 100, 4):
        free = os.statvfs(small_disk)
        filler.write_bytes(b"x" * max(0, free.f_bavail * free.f_frsize - left_kb * 1024))
        done = CliRunner().invoke(
            app, ["archive", str(other.out), "-o", str(store.folder), "--photos", str(other.folder)]
        )
        if done.exit_code == 0:
            assert left_kb > 20
            break
        assert done.exit_code == 1, done.output
        assert "No space left on device" in done.output
        assert "Traceback" not in done.output
        assert sorted(store.folder.rglob("*")) == before
        assert (store.log / "entries.txt").read_bytes() == log
        filler.unlink()
    else:
        pytest.fail("it never fitted")
    filler.unlink()
    assert not audit_store(store, workers=1).damaged


@pytest.mark.parametrize("largest", [10, 300, 700, 1100])
def test_a_write_that_fails_at_any_size_leaves_the_old_state(tmp_path, largest):
    """As a full disk, by a limit on how large a file may grow, which needs no rights."""
    store, _ = sealed(tmp_path / "store", a_job(tmp_path / "1", "Lot 1"))
    before = {path: path.read_bytes() for path in store.folder.rglob("*") if path.is_file()}
    child = FORK.Process(target=_limited, args=(largest, store.folder, a_job(tmp_path / "2", "Lot 2")))
    child.start()
    child.join()
    assert child.exitcode == 7
    assert {path: path.read_bytes() for path in store.folder.rglob("*") if path.is_file()} == before


def _limited(largest: int, folder: Path, job: SmallJob) -> None:
    import resource

    signal.signal(signal.SIGXFSZ, signal.SIG_IGN)
    resource.setrlimit(resource.RLIMIT_FSIZE, (largest, largest))
    try:
        sealed(folder, job)
    except OSError:
        os._exit(7)
    os._exit(0)
