"""Runs, surveys and designs made up for tests of comparing, and the command on them."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path

import numpy as np
from click.testing import CliRunner

from judge_runs import a_bolt
from sillwright.archive.compare import RunComparison
from sillwright.cli.app import app
from sillwright.survey import BoltRecord, RunRecord, Survey
from sillwright.survey_file import write_survey

STATIONS_MM = (-50.0, 1100.0, 2350.0, 3300.0, 4700.0)
U95_MM = 0.6


def leaning(bolt: BoltRecord, along_mm: float, across_mm: float) -> BoltRecord:
    size_deg = math.degrees(math.asin(math.hypot(along_mm, across_mm) / 82.0))
    return replace(bolt, lean_along_mm=along_mm, lean_across_mm=across_mm, lean_deg=size_deg)


def a_run(bolts: Sequence[BoltRecord], name: str = "north") -> RunRecord:
    return RunRecord(name, "ok", (), tuple(bolts), ())


def some_bolts(stations_mm: Sequence[float] = STATIONS_MM, u95_mm: float = U95_MM) -> list[BoltRecord]:
    return [
        leaning(a_bolt(f"N{count}", at, 70.0 + count, u95_mm), 3.0, 4.0)
        for count, at in enumerate(stations_mm, start=1)
    ]


def noisy(bolts: Sequence[BoltRecord], rng: np.random.Generator) -> list[BoltRecord]:
    """The same bolts measured once more: each number off by its own sigma."""
    out = []
    for bolt in bolts:
        sigma_mm = (bolt.u95.station_mm or 0.0) / 1.96
        station, setback, along, across = rng.normal(0.0, sigma_mm, 4)
        assert bolt.station_mm is not None
        assert bolt.setback_mm is not None
        placed = replace(bolt, station_mm=bolt.station_mm + station, setback_mm=bolt.setback_mm + setback)
        out.append(leaning(placed, (bolt.lean_along_mm or 0.0) + along, (bolt.lean_across_mm or 0.0) + across))
    return out


def by_mark(found: RunComparison) -> dict[str, tuple[str, str]]:
    return {pair.first.mark: (pair.place, pair.lean) for pair in found.pairs}


def design(folder: Path, text: str) -> Path:
    path = folder / "design.csv"
    path.write_text(text, encoding="utf-8")
    return path


def run_compare(*words: object) -> tuple[int, str, str]:
    done = CliRunner().invoke(app, ["compare", *(str(word) for word in words)])
    if done.exception is not None and not isinstance(done.exception, SystemExit):
        raise done.exception
    return done.exit_code, done.stdout, done.stderr


def folder_of(folder: Path, bolts: Sequence[BoltRecord]) -> Path:
    write_survey(Survey("Lot 7", (a_run(bolts),), (), ()), folder / "survey.json")
    return folder
