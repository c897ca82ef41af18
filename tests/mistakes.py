"""Generated runs of photos, a third of them with a mistake, to see whether any wrong number passes as ok.

    python tests/mistakes.py [--scenes 300] [--first 0] [--workers 2] [--only MISTAKE]

Not a test: run it by hand. Every scene is drawn as whole 12 MP photos from exact truth, written as JPEG, measured as a
crew would have it measured, and held against the truth. A *silent error* is a number with status ok that is off by more
than 1/16 in (setback), 1/8 in (the step from bolt to bolt) or 2 degrees; a *silent miss* is a bolt whole in two photos
of which the record says nothing.
"""

from __future__ import annotations

import argparse
import os
import tempfile
from collections import Counter
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass
from datetime import date
from itertools import pairwise
from multiprocessing import get_context
from pathlib import Path

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

import cv2
import numpy as np
from rich.console import Console
from rich.table import Table

from mistake_cases import MISTAKES, PLATE_MM, Case, drawn, photos_of, write_photo
from scenes import LENS_SIGMA, Scene, inside
from sillwright.camera import Array, Camera, Pose, project
from sillwright.errors import SillwrightError
from sillwright.fasteners import bolt_size
from sillwright.job import Job, RunJob
from sillwright.measure import measure_job
from sillwright.outline import Bolt
from sillwright.profile import Lens, make_profile, write_profile
from sillwright.survey import BoltRecord, Survey

SETBACK_LIMIT_MM, STEP_LIMIT_MM, LEAN_LIMIT_DEG = 1.5875, 3.175, 2.0
SAME_BOLT_MM = 60.0


@dataclass(frozen=True)
class Outcome:
    """What came of one scene."""

    seed: int
    mistake: str
    bolts: int
    ok: int
    silent: tuple[str, ...]
    missed: tuple[str, ...]
    told_missed: int
    invented: tuple[str, ...]
    codes: tuple[str, ...]
    setback_mm: tuple[float, ...]


def measured(case: Case, seed: int, folder: Path) -> Survey:
    """The photos written and measured as a job."""
    paths = []
    for k, pixels in enumerate(photos_of(case, 1000 * seed)):
        path = folder / f"{k + 1:02d}.jpg"
        write_photo(pixels, path)
        paths.append(path)
    profile = write_lens(case.profile_camera, folder / "phone.json")
    numbers = tuple(sorted(set(case.scene.numbers)))
    run = RunJob("north", tuple(paths), numbers, "inside", case.tapes)
    return measure_job(
        Job(
            name="drawn", folder=folder, plate_width_mm=PLATE_MM, plate_layers=1, bolt=bolt_size(case.bolt),
            stickup_mm=None, card_thickness_mm=0.3, check_length_mm=case.check_length_mm, profile_path=profile,
            runs=(run,), corners=(),
        )
    )  # fmt: skip


def write_lens(camera: Camera, path: Path) -> Path:
    """A profile file of a lens known as a calibration of 12 photos leaves it."""
    lens = Lens(camera, np.diag(LENS_SIGMA**2))
    made, board = date(2026, 5, 1), "9x6,28mm,21mm,4X4_50"
    profile = make_profile(
        lens, make="Drawn", model="Phone", focal_35mm=28.0, rms_px=0.05, photos=("a.jpg",), made=made, board=board
    )
    write_profile(profile, path)
    return path


def one(task: tuple[int, str]) -> Outcome:
    """Draw, measure and judge one scene."""
    cv2.setNumThreads(1)
    seed, mistake = task
    rng = np.random.default_rng(seed)
    case = drawn(rng)
    if mistake:
        case = MISTAKES[mistake](case, rng)
    with tempfile.TemporaryDirectory() as folder:
        try:
            survey = measured(case, seed, Path(folder))
        except SillwrightError as fault:
            refused = (type(fault).__name__,)
            return Outcome(seed, mistake, len(case.scene.bars), 0, (), (), len(case.scene.bars), (), refused, ())
    return judged(case, survey, seed, mistake)


def judged(case: Case, survey: Survey, seed: int, mistake: str) -> Outcome:
    """Hold the record against the truth."""
    run = survey.runs[0]
    scene = case.scene
    # Stations count from the lowest card that could be joined.
    lowest = min((card.number for card in run.cards), default=scene.numbers[0])
    zero = scene.cards[scene.numbers.index(lowest)].origin_mm
    true = [bar.bolt for bar in scene.bars]
    pairs: list[tuple[BoltRecord, Bolt]] = []
    invented = []
    for bolt in run.bolts:
        free = [t for t in true if all(t is not other for _, other in pairs)]
        near = min(free, key=lambda t: _apart_mm(bolt, t, zero), default=None)
        if near is None or _apart_mm(bolt, near, zero) > SAME_BOLT_MM + 0.08 * abs(bolt.station_mm):
            invented.append(f"{bolt.status} {bolt.station_mm:.0f}, {bolt.setback_mm:.0f}")
        else:
            pairs.append((bolt, near))
    silent = [text for bolt, t in pairs if bolt.status == "ok" for text in _wrong(bolt, t)]
    good = sorted((p for p in pairs if p[0].status == "ok"), key=lambda p: p[0].station_mm)
    for (one_bolt, a), (other, b) in pairwise(good):
        off = (other.station_mm - one_bolt.station_mm) - float(b.base_mm[0] - a.base_mm[0])
        if abs(off) > STEP_LIMIT_MM:
            silent.append(f"step off {off:.1f} mm")
    whole = [t for t in true if sum(_shown(scene, pose, t) for pose in scene.poses) >= 2]
    lost = [t for t in whole if all(t is not other for _, other in pairs)]
    told = run.status != "ok" or any(p.status != "ok" for p in survey.photos)
    missed = [] if told else [f"{t.base_mm[0]:.0f}" for t in lost]
    codes = {f.code for f in run.reasons} | {f.code for p in survey.photos for f in p.reasons}
    codes |= {f.code for b in run.bolts for f in b.reasons} | {f.code for c in run.cards for f in c.reasons}
    setback = tuple(b.setback_mm - float(t.base_mm[1]) for b, t in pairs if b.status == "ok")
    ok = sum(b.status == "ok" for b in run.bolts)
    return Outcome(
        seed,
        mistake,
        len(true),
        ok,
        tuple(silent),
        tuple(missed),
        len(lost),
        tuple(invented),
        tuple(sorted(codes)),
        setback,
    )


def _apart_mm(bolt: BoltRecord, true: Bolt, zero: Array) -> float:
    return float(np.hypot(bolt.station_mm + zero[0] - true.base_mm[0], bolt.setback_mm - true.base_mm[1]))


def _wrong(bolt: BoltRecord, true: Bolt) -> list[str]:
    out = []
    off = bolt.setback_mm - float(true.base_mm[1])
    if abs(off) > SETBACK_LIMIT_MM:
        out.append(f"setback off {off:.1f} mm")
    if bolt.lean_along_mm is not None:
        lean = (true.tip_mm - true.base_mm)[:2]
        apart = np.hypot(bolt.lean_along_mm - lean[0], bolt.lean_across_mm - lean[1])
        lean_deg = float(np.degrees(np.arctan(apart / true.tip_mm[2])))
        if lean_deg > LEAN_LIMIT_DEG:
            out.append(f"lean off {lean_deg:.1f} deg")
    return out


def _shown(scene: Scene, pose: Pose, bolt: Bolt) -> bool:
    ends = project(scene.camera, pose, np.array([bolt.base_mm, bolt.tip_mm]))
    return bool(inside(scene.camera, ends, 60.0).all())


def main() -> None:
    """Draw, measure, judge, and print the table."""
    parser = argparse.ArgumentParser()
    parser.add_argument("--scenes", type=int, default=300)
    parser.add_argument("--first", type=int, default=0)
    parser.add_argument("--workers", type=int, default=2)
    parser.add_argument("--only")
    given = parser.parse_args()
    names = list(MISTAKES)
    tasks = []
    for k in range(given.first, given.first + given.scenes):
        mistake = names[(k // 3) % len(names)] if k % 3 == 0 else ""
        tasks.append((k, given.only if given.only is not None else mistake))
    outcomes: list[Outcome] = []
    with ProcessPoolExecutor(given.workers, mp_context=get_context("spawn")) as pool:
        for outcome in pool.map(one, tasks) if given.workers > 1 else map(one, tasks):
            outcomes.append(outcome)
            if outcome.silent or outcome.missed or outcome.invented:
                print(outcome, flush=True)
    _print_table(outcomes)


def _print_table(outcomes: list[Outcome]) -> None:
    table = Table(title=f"{len(outcomes)} generated scenes")
    for head in ("mistake", "scenes", "bolts", "ok", "silent errors", "silent misses", "lost in all", "invented"):
        table.add_column(head)
    for head in ("setback rms of ok, mm", "codes"):
        table.add_column(head)
    groups = ["", *MISTAKES]
    for name in groups:
        mine = [o for o in outcomes if o.mistake == name]
        if not mine:
            continue
        setback = [v for o in mine for v in o.setback_mm]
        codes = Counter(code for o in mine for code in o.codes).most_common(6)
        table.add_row(
            name or "none", str(len(mine)), str(sum(o.bolts for o in mine)), str(sum(o.ok for o in mine)),
            str(sum(len(o.silent) for o in mine)), str(sum(len(o.missed) for o in mine)),
            str(sum(o.told_missed for o in mine)), str(sum(len(o.invented) for o in mine)),
            f"{np.sqrt(np.mean(np.square(setback))):.2f}" if setback else "-",
            " ".join(f"{code} {count}" for code, count in codes),
        )  # fmt: skip
    Console(width=190).print(table)


if __name__ == "__main__":
    main()
