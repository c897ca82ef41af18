"""How long the catalogue takes to answer: 10,000 packages with 1,000,000 bolts, by generated records.

    python tests/archive_benchmark.py [--packages 10000] [--bolts 100]

Each query is asked five times as ``find`` does: on a fresh connection, the catalogue first brought in step with the
folders of packages, every row fetched. The slowest answer counts. The goal is under 200 ms each, on a machine with
nothing else to do; the processor time beside it is what the machine's other work hardly changes. Answers of many
thousand rows (``--limit 0``) are left out: they take as long as their rows are many.
"""

from __future__ import annotations

import argparse
import random
import sqlite3
import tempfile
import time
from collections.abc import Callable, Iterator
from dataclasses import replace
from pathlib import Path

from judge_runs import a_bolt
from sillwright.archive.catalogue import add, catalogue, refresh
from sillwright.archive.catalogue_rows import PackageRows, rows_of
from sillwright.archive.package import PackageRecord, SignOff
from sillwright.archive.search import RULES, Query, find, thumbnails
from sillwright.archive.store import Store, make_store
from sillwright.survey import Finding, RunRecord, Survey

RNG_SEED = 11
GOAL_MS = 200.0
TIMES = 5
THUMBNAIL_BYTES = 3000  # about what a photo's thumbnail comes to
QUERIES = {
    "the newest packages": Query(),
    "a job by a part of its name": Query(job="lot 4242,"),
    "a lot": Query(lot="777"),
    "two days": Query(since="2026-03-01", until="2026-03-02"),
    "a run": Query(run="EAST"),
    "a run of one lot": Query(run="east", lot="777"),
    "bolts ok, nearly all": Query(status="ok"),
    "bolts to check": Query(status="check"),
    "bolts to shoot again, few": Query(status="reshoot"),
    "setback over a value, half of all": Query(setback_over_mm=70.0),
    "setback over a value, few": Query(setback_over_mm=95.0),
    "setback over a value, none": Query(setback_over_mm=500.0),
    "lean over a value, few": Query(lean_over_deg=9.0),
    "setback, lean and status at once": Query(setback_over_mm=85.0, lean_over_deg=6.0, status="check"),
    "lean and status at once": Query(lean_over_deg=6.0, status="reshoot"),
    "setback and lean of one run": Query(setback_over_mm=80.0, lean_over_deg=7.0, run="west"),
    "a rule broken": Query(rule="spacing"),
    "any rule broken on a day": Query(rule="any", since="2026-03-01", until="2026-03-01"),
    "a rule broken by leaning bolts": Query(rule="across", lean_over_deg=7.0),
    "a run that is nowhere": Query(run="nosuch"),
    "a run that one package has": Query(run="garage stem"),
    "a run that one package has, by status": Query(run="garage stem", status="check"),
    "a run that is nowhere, by status": Query(run="nosuch", status="check"),
    "a run that is nowhere, by setback": Query(run="nosuch", setback_over_mm=60.0),
    "a run that is nowhere, by lean": Query(run="nosuch", lean_over_deg=0.0),
    "a run that is nowhere, since a day": Query(run="nosuch", since="2026-03-01"),
    "a run that is nowhere, of many jobs": Query(run="nosuch", job="house", status="ok"),
    "a run that one package has, by all": Query(
        run="garage stem", job="house", since="2026-01-01", status="ok", setback_over_mm=60.0, lean_over_deg=0.0
    ),
    "a run, by status and setback": Query(run="east", status="check", setback_over_mm=86.0),
    "a run, by status and lean": Query(run="east", status="check", lean_over_deg=6.0),
    "a run, by setback and lean, none": Query(run="east", setback_over_mm=91.0, lean_over_deg=8.0),
    "a run's bolts to shoot again": Query(run="south", status="reshoot"),
    "a run's setback over a value, none": Query(run="south", setback_over_mm=500.0),
    "setback and lean, nearly all": Query(setback_over_mm=60.0, lean_over_deg=0.0, status="reshoot"),
    "a rule broken on a run that is nowhere": Query(rule="any", run="nosuch"),
    "a rule broken by bolts to shoot again": Query(rule="any", status="reshoot"),
    "a rule broken by bolts to check, on a run that is nowhere": Query(rule="any", status="check", run="nosuch"),
    "a rule broken, by all of its bolt": Query(
        rule="spacing", status="check", setback_over_mm=75.0, lean_over_deg=3.0, run="north"
    ),
    "a job that is not there": Query(job="no such job", status="check"),
}


def packages(count: int, bolts: int) -> Iterator[PackageRows]:
    """Made-up packages: setbacks about 70 mm with sigma 7, leans to some degrees, one bolt in 12 with a doubt."""
    rng = random.Random(RNG_SEED)
    picture = rng.randbytes(THUMBNAIL_BYTES)
    for number in range(count):
        runs = []
        for name in ("north", "east", "south", "garage stem" if number == count // 2 else "west"):
            some = []
            for place in range(bolts // 4):
                status = rng.choices(("ok", "check", "reshoot"), (0.9195, 0.08, 0.0005))[0]
                bolt = a_bolt(f"{name[0].upper()}{place}", place * 1200.0, rng.gauss(70.0, 7.0), 0.5, status=status)
                reasons = () if status == "ok" else (Finding("weak-evidence"),)
                some.append(replace(bolt, lean_deg=abs(rng.gauss(0.0, 2.2)), reasons=reasons))
            runs.append(RunRecord(name, "ok", (), tuple(some), ()))
        day = f"2026-{1 + number % 12:02d}-{1 + number // 12 % 28:02d}"
        record = PackageRecord(
            f"Lot {number}, house", str(number), day, "photos", f"{day}T12:00:00Z", SignOff("quality checker", ""),
            "job/job.toml", None, 20, "sillwright 0.1.0",
        )  # fmt: skip
        rows = rows_of(f"lot-{number}-{day}", "00" * 32, record, Survey(record.job, tuple(runs), (), ()))
        some_bolts = [rng.randrange(bolts // 4) for _ in range(number % 5)]
        broken = tuple(
            (place, "north", "north", f"N{bolt}", bolt, rng.choice(RULES), "IRC 2021 R403.1.6", 2000.0, 1828.8)
            for place, bolt in enumerate(some_bolts)
        )
        yield replace(
            rows, package=(*rows.package[:-2], len(broken), 1), broken=broken, thumbnails=(("1.jpg", picture),)
        )


def slowest_ms(store: Store, ask: Callable[[sqlite3.Connection], int]) -> tuple[float, float, int]:
    """The slowest answer by the clock, the most processor time, and the rows."""
    slowest, busiest, rows = 0.0, 0.0, 0
    for _ in range(TIMES):
        begun, begun_busy = time.perf_counter(), time.process_time()
        with catalogue(store) as connection:
            rows = ask(connection)
        slowest = max(slowest, (time.perf_counter() - begun) * 1000.0)
        busiest = max(busiest, (time.process_time() - begun_busy) * 1000.0)
    return slowest, busiest, rows


def questions(store: Store) -> Iterator[tuple[str, Callable[[sqlite3.Connection], int]]]:
    """All that is asked, each as what is done with a connection to have the rows."""

    def in_step(connection: sqlite3.Connection) -> None:
        if refresh(connection, store):
            raise SystemExit("the catalogue is not in step with the folders of packages")

    def asked(query: Query) -> Callable[[sqlite3.Connection], int]:
        def ask(connection: sqlite3.Connection) -> int:
            in_step(connection)
            return len(find(connection, query).rows)

        return ask

    def pictures(connection: sqlite3.Connection) -> int:
        in_step(connection)
        return sum(len(thumbnails(connection, str(row[0]))) for row in find(connection, Query()).rows)

    yield "brought in step, nothing asked", lambda connection: len(refresh(connection, store))
    for what, query in QUERIES.items():
        yield what, asked(query)
    yield "the newest packages, with thumbnails", pictures


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--packages", type=int, default=10_000)
    parser.add_argument("--bolts", type=int, default=100)
    given = parser.parse_args()
    with tempfile.TemporaryDirectory() as folder:
        store = make_store(Path(folder) / "store")
        begun = time.perf_counter()
        with catalogue(store) as connection:
            add(connection, packages(given.packages, given.bolts))
            for (name,) in connection.execute("SELECT name FROM package"):
                store.package(name).mkdir()
            counts = [connection.execute(f"SELECT count(*) FROM {one}").fetchone()[0] for one in ("package", "bolt")]
        size_mb = store.catalogue.stat().st_size / 1e6
        print(
            f"{counts[0]} packages, {counts[1]} bolts, {size_mb:.0f} MB, made in {time.perf_counter() - begun:.0f} s\n"
        )
        print("| query | rows | slowest of five, ms | processor, ms |\n|---|---|---|---|")
        worst = busiest = 0.0
        for what, ask in questions(store):
            took_ms, busy_ms, rows = slowest_ms(store, ask)
            worst, busiest = max(worst, took_ms), max(busiest, busy_ms)
            print(f"| {what} | {rows} | {took_ms:.1f} | {busy_ms:.1f} |")
        kept = "kept" if worst < GOAL_MS else "NOT kept"
        print(f"\nSlowest {worst:.0f} ms, most processor time {busiest:.0f} ms; the goal is {GOAL_MS:.0f} ms: {kept}")


if __name__ == "__main__":
    main()
