"""How long the catalogue takes to answer: 10,000 packages with 1,000,000 bolts, by generated records.

    python tests/archive_benchmark.py [--packages 10000] [--bolts 100]

Each query is asked five times on a fresh connection, and the slowest answer counts. Every row is fetched. The goal is
under 200 ms each, on a machine with nothing else to do; the processor time beside it is what the machine's other work
hardly changes.
"""

from __future__ import annotations

import argparse
import random
import tempfile
import time
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

from judge_runs import a_bolt
from sillwright.archive.catalogue import add, catalogue
from sillwright.archive.catalogue_rows import PackageRows, rows_of
from sillwright.archive.package import PackageRecord, SignOff
from sillwright.archive.search import RULES, Query, find
from sillwright.archive.store import Store, make_store
from sillwright.survey import Finding, RunRecord, Survey

RNG_SEED = 11
GOAL_MS = 200.0
TIMES = 5
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
    "a job that is not there": Query(job="no such job", status="check"),
}


def packages(count: int, bolts: int) -> Iterator[PackageRows]:
    """Made-up packages: setbacks about 70 mm with sigma 7, leans to some degrees, one bolt in 12 with a doubt."""
    rng = random.Random(RNG_SEED)
    for number in range(count):
        runs = []
        for name in ("north", "east", "south", "west"):
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
        yield replace(rows, package=(*rows.package[:-2], len(broken), 1), broken=broken)


def slowest_ms(store: Store, query: Query) -> tuple[float, float, int]:
    """The slowest answer by the clock, the most processor time, and the rows."""
    slowest, busiest, rows = 0.0, 0.0, 0
    for _ in range(TIMES):
        begun, begun_busy = time.perf_counter(), time.process_time()
        with catalogue(store) as connection:
            rows = len(find(connection, query).rows)
        slowest = max(slowest, (time.perf_counter() - begun) * 1000.0)
        busiest = max(busiest, (time.process_time() - begun_busy) * 1000.0)
    return slowest, busiest, rows


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
            counts = [connection.execute(f"SELECT count(*) FROM {one}").fetchone()[0] for one in ("package", "bolt")]
        size_mb = store.catalogue.stat().st_size / 1e6
        print(
            f"{counts[0]} packages, {counts[1]} bolts, {size_mb:.0f} MB, made in {time.perf_counter() - begun:.0f} s\n"
        )
        print("| query | rows | slowest of five, ms | processor, ms |\n|---|---|---|---|")
        worst = 0.0
        for what, query in QUERIES.items():
            took_ms, busy_ms, rows = slowest_ms(store, query)
            worst = max(worst, took_ms)
            print(f"| {what} | {rows} | {took_ms:.1f} | {busy_ms:.1f} |")
        print(f"\nSlowest {worst:.0f} ms; the goal is {GOAL_MS:.0f} ms: {'kept' if worst < GOAL_MS else 'NOT kept'}")


if __name__ == "__main__":
    main()
