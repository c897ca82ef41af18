"""Killed at any moment, and written by several at once, the catalogue is whole, and the next run completes it."""

from __future__ import annotations

import multiprocessing
import os
import random
import signal
import time

from archive_jobs import TABLES, a_job, catalogue_now, dump, sealed
from sillwright.archive.catalogue import catalogue, remake
from sillwright.archive.store import CATALOGUE_ASIDE, Store, writing

KILLS = 50
RNG_SEED = 5
FORK = multiprocessing.get_context("fork")


def rebuild(store: Store) -> None:
    with writing(store):
        remake(store)


def test_killed_at_fifty_moments_it_is_never_corrupt_and_the_next_run_completes(tmp_path):
    folder = tmp_path / "store"
    for count in range(12):
        store, _ = sealed(folder, a_job(tmp_path / str(count), f"Lot {count}"))
    catalogue_now(store)
    whole = dump(store)
    begun = time.monotonic()
    rebuild(store)
    whole_s, rng = time.monotonic() - begun, random.Random(RNG_SEED)
    for count in range(KILLS):
        child = FORK.Process(target=rebuild if count % 2 else catalogue_now, args=(store,))
        if count % 2 == 0:
            with catalogue(store) as connection:
                connection.execute("DELETE FROM package WHERE id % 3 = 0")
        child.start()
        time.sleep(rng.uniform(0.0, whole_s))
        assert child.pid is not None
        os.kill(child.pid, signal.SIGKILL)
        child.join()
        with catalogue(store) as connection:
            assert connection.execute("PRAGMA integrity_check").fetchone() == ("ok",)
            there = {row[0] for row in connection.execute("SELECT name FROM package")}
        part = dump(store)
        for table in TABLES:
            assert part[table] == [row for row in whole[table] if row[0] in there]
    catalogue_now(store)
    assert dump(store) == whole


def test_several_at_once_end_up_with_the_same(tmp_path):
    for count in range(10):
        store, _ = sealed(tmp_path / "store", a_job(tmp_path / str(count), f"Lot {count}"))
    children = [FORK.Process(target=catalogue_now, args=(store,)) for _ in range(4)]
    for child in children:
        child.start()
    for child in children:
        child.join()
        assert child.exitcode == 0
    held = dump(store)
    assert len(held["package"]) == 10
    with writing(store):
        remake(store)
    assert dump(store) == held


def test_who_has_it_open_sees_the_one_made_again(tmp_path):
    """Renamed over, the file would leave whoever has it open behind in the old one."""
    store, _ = sealed(tmp_path / "store", a_job(tmp_path / "job"))
    with catalogue(store) as connection:
        connection.execute("DELETE FROM package")
        rebuild(store)
        assert connection.execute("SELECT count(*) FROM package").fetchone() == (1,)


def test_what_a_killed_one_was_making_is_taken_away_by_the_next_archiving(tmp_path):
    store, _ = sealed(tmp_path / "store", a_job(tmp_path / "job"))
    for ending in ("", "-wal", "-shm", "-journal"):
        (store.folder / f"{CATALOGUE_ASIDE}{ending}").write_bytes(b"half")
    sealed(store.folder, a_job(tmp_path / "other", "Lot 8"))
    assert list(store.folder.glob(f"{CATALOGUE_ASIDE}*")) == []
