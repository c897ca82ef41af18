"""Accuracy and speed on photos with exact truth, as a table. Not a test: run it by hand.

    python tests/benchmark.py [FOLDER] [SCENE ...]
    python tests/benchmark.py --adjustment

FOLDER holds scene folders, each with photos, truth.json and job_facts.json; by default the ``shared/photos`` folder
beside the project. Every scene is measured with the phone's calibrated profile, in one process, and its numbers are
held against the truth the renderer was given. With ``--adjustment`` only the least squares of drawn runs of 10, 30 and
100 photos is timed.
"""

from __future__ import annotations

import json
import os
import resource
import sys
import time
from dataclasses import dataclass, field
from itertools import pairwise
from pathlib import Path
from tempfile import TemporaryDirectory

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")  # as the command does: idle threads would count as work

import cv2
import numpy as np
from rich.console import Console
from rich.table import Table

from scenes import long_run, problem_of, see_cards, see_line, shaken, truth_of
from sillwright.fasteners import bolt_size
from sillwright.job import CornerJob, Job, RunJob, Tape
from sillwright.lengths import parse_length_mm
from sillwright.measure import measure_job
from sillwright.profile import Profile
from sillwright.solve.adjust import adjust
from sillwright.survey import BoltRecord, RunRecord, Survey

SHARED_PHOTOS = Path(__file__).resolve().parents[2] / "shared" / "photos"
SAME_BOLT_MM = 60.0  # cards printed 4 % small put a station 4 % off, and that is still the same bolt


@dataclass
class Errors:
    """What came out against the truth; millimetres and degrees."""

    setback_mm: list[float] = field(default_factory=list)
    station_step_mm: list[float] = field(default_factory=list)
    lean_deg: list[float] = field(default_factory=list)
    stickup_mm: list[float] = field(default_factory=list)
    corner_deg: list[float] = field(default_factory=list)
    in_setback_u95: list[bool] = field(default_factory=list)
    in_lean_u95: list[bool] = field(default_factory=list)
    statuses: list[str] = field(default_factory=list)
    bolts: int = 0
    missed: list[str] = field(default_factory=list)
    invented: list[str] = field(default_factory=list)
    wrong_but_ok: list[str] = field(default_factory=list)


def scene_job(folder: Path, profile: Path | None, facts_name: str = "job_facts.json") -> Job:
    """The job a carpenter would write for a scene, from what he would know."""
    facts = json.loads((folder / facts_name).read_text())
    photos = tuple(sorted(folder.glob("*.jpg")))
    tapes = tuple(Tape(t["from_card"], t["to_card"], parse_length_mm(t["length"])) for t in facts.get("tape", []))
    runs = tuple(RunJob(run["name"], photos, tuple(run["cards"]), facts["line_marks"], tapes) for run in facts["runs"])
    names = [run.name for run in runs]
    check = facts.get("check_length_measured")
    thickness = facts.get("card_thickness")
    return Job(
        name=folder.name,
        folder=folder,
        plate_width_mm=parse_length_mm(facts["plate_width"]),
        plate_layers=1,
        bolt=bolt_size(facts.get("bolt_diameter", "1/2 in")),
        stickup_mm=None,
        card_thickness_mm=parse_length_mm(thickness) if thickness else 0.3,
        check_length_mm=parse_length_mm(check) if check else None,
        profile_path=profile,
        runs=runs,
        corners=(CornerJob((names[0], names[1]), photos),) if len(names) == 2 else (),
    )


def calibrated(folder: Path, target: Path) -> Path:
    """A phone profile made by the command from a calibration set."""
    from click.testing import CliRunner

    from sillwright.cli.calibrate import calibrate

    photos = [str(path) for path in sorted(folder.glob("*.jpg"))]
    result = CliRunner().invoke(calibrate, [*photos, "-o", str(target)])
    if result.exit_code:
        raise SystemExit(result.output)
    Profile.model_validate_json(target.read_text())
    return target


def compare(survey: Survey, truth: dict) -> Errors:
    """Hold a survey against a scene's truth."""
    errors = Errors()
    for run, true_run in zip(survey.runs, truth["runs"], strict=True):
        _compare_run(run, true_run, errors)
    for corner in survey.corners:
        if corner.angle_deg is not None:
            errors.corner_deg.append(corner.angle_deg - truth["corner"]["angle_deg"])
    return errors


def _compare_run(run: RunRecord, true_run: dict, errors: Errors) -> None:
    taken: set[str] = set()
    pairs: list[tuple[BoltRecord, dict]] = []
    for bolt in run.bolts:
        near = [
            true
            for true in true_run["bolts"]
            if np.hypot(bolt.station_mm - true["station_mm"], bolt.setback_mm - true["setback_mm"]) < SAME_BOLT_MM
            and true["id"] not in taken
        ]
        if not near:
            errors.invented.append(f"{bolt.mark} at {bolt.station_mm:.0f}, {bolt.setback_mm:.0f}")
            continue
        taken.add(near[0]["id"])
        pairs.append((bolt, near[0]))
    errors.bolts += len(true_run["bolts"])
    errors.missed += [true["id"] for true in true_run["bolts"] if true["id"] not in taken]
    for bolt, true in pairs:
        _compare_bolt(bolt, true, errors)
    for (one, true_one), (two, true_two) in pairwise(pairs):
        step = (two.station_mm - one.station_mm) - (true_two["station_mm"] - true_one["station_mm"])
        errors.station_step_mm.append(step)


def _compare_bolt(bolt: BoltRecord, true: dict, errors: Errors) -> None:
    off = bolt.setback_mm - true["setback_mm"]
    errors.setback_mm.append(off)
    errors.in_setback_u95.append(abs(off) <= bolt.u95.setback_mm)
    errors.statuses.append(bolt.status)
    lean = None
    if bolt.lean_along_mm is not None:
        apart = [bolt.lean_along_mm - true["lean_along_mm"], bolt.lean_across_mm - true["lean_across_mm"]]
        lean = float(np.degrees(np.arctan(np.hypot(*apart) / true["stickup_mm"])))
        errors.lean_deg.append(bolt.lean_deg - true["lean_deg"])
        errors.in_lean_u95.append(abs(bolt.lean_deg - true["lean_deg"]) <= bolt.u95.lean_deg)
        errors.stickup_mm.append(bolt.stickup_mm - true["stickup_mm"])
    if bolt.status == "ok" and (abs(off) > 1.5875 or (lean is not None and lean > 2.0)):
        errors.wrong_but_ok.append(f"{bolt.mark}: setback off {off:.2f} mm, lean off {lean}")


def rms(values: list[float]) -> float:
    """Root mean square; 0 for nothing."""
    return float(np.sqrt(np.mean(np.square(values)))) if values else 0.0


def main() -> None:
    """Measure the scenes and print the table."""
    cv2.setNumThreads(1)
    arguments = sys.argv[1:]
    if "--adjustment" in arguments:
        _time_adjustment()
        return
    folder = Path(arguments[0]) if arguments and Path(arguments[0]).is_dir() else SHARED_PHOTOS
    wanted = [name for name in arguments if not Path(name).is_dir()]
    with_profile = "--no-profile" not in arguments
    wanted = [name for name in wanted if not name.startswith("--")]
    console = Console(width=150)
    table = Table(title="Measured against exact truth (mm, degrees)")
    heads = "scene|bolts|missed|invented|ok|setback rms|worst|step rms|worst|lean rms|worst|stick-up rms|corner"
    for head in (heads + "|in u95|wrong but ok|CPU s/photo").split("|"):
        table.add_column(head)
    total = Errors()
    scenes = [path.parent for path in sorted(folder.glob("*/truth.json"))]
    profiles: dict[str, Path] = {}
    aside = TemporaryDirectory()
    for scene in scenes:
        if wanted and scene.name not in wanted:
            continue
        phone = json.loads((scene / "job_facts.json").read_text())["phone"].lower()
        if with_profile and phone not in profiles:
            profiles[phone] = calibrated(folder / f"calibration_phone_{phone}", Path(aside.name) / f"{phone}.json")
        for facts in sorted(path.name for path in scene.glob("job_facts*.json")):
            job = scene_job(scene, profiles.get(phone), facts)
            start = time.process_time()
            survey = measure_job(job)
            spent = (time.process_time() - start) / len(job.runs[0].photos)
            errors = compare(survey, json.loads((scene / "truth.json").read_text()))
            name = scene.name + facts.removeprefix("job_facts").removesuffix(".json").replace("_", " ")
            _row(table, name, errors, f"{spent:.2f}")
            if scene.name in ("d1", "d2", "d3", "d4"):
                for key, value in vars(errors).items():
                    setattr(total, key, getattr(total, key) + value)
            for run in survey.runs:
                for bolt in run.bolts:
                    if bolt.status != "ok":
                        console.print(f"{name} {bolt.mark}: {[finding.code for finding in bolt.reasons]}")
    _row(table, "d1 to d4", total, "")
    console.print(table)
    peak_mb = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024.0
    console.print(f"Peak memory of this process: {peak_mb:.0f} MB")
    aside.cleanup()


def _time_adjustment() -> None:
    table = Table(title="Least squares of a run (processor time of one thread)")
    for head in ("photos", "unknowns", "observations", "seconds"):
        table.add_column(head)
    for photos in (10, 30, 100):
        scene, rng = long_run(photos), np.random.default_rng(1)
        problem = problem_of(scene, see_cards(scene, rng), see_line(scene, rng, stated_mm=0.8))
        first = shaken(truth_of(scene), rng)
        start = time.process_time()
        solution = adjust(problem, first)
        spent = time.process_time() - start
        assert solution.converged
        count = sum(2 * len(seen.px) for seen in problem.card_seen) + sum(len(seen.px) for seen in problem.line_seen)
        table.add_row(str(photos), str(solution.layout.size), str(count), f"{spent:.2f}")
    Console().print(table)


def _row(table: Table, name: str, e: Errors, spent: str) -> None:
    worst = [f"{max(map(abs, values), default=0.0):.2f}" for values in (e.setback_mm, e.station_step_mm, e.lean_deg)]
    inside = [*e.in_setback_u95, *e.in_lean_u95]
    table.add_row(
        name,
        str(e.bolts),
        ", ".join(e.missed) or "-",
        ", ".join(e.invented) or "-",
        str(e.statuses.count("ok")),
        f"{rms(e.setback_mm):.2f}",
        worst[0],
        f"{rms(e.station_step_mm):.2f}",
        worst[1],
        f"{rms(e.lean_deg):.2f}",
        worst[2],
        f"{rms(e.stickup_mm):.2f}",
        ", ".join(f"{value:+.3f}" for value in e.corner_deg) or "-",
        f"{sum(inside)}/{len(inside)}",
        ", ".join(e.wrong_but_ok) or "-",
        spent,
    )


if __name__ == "__main__":
    main()
