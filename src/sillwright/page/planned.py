"""The plates as planned: only a plan that is whole and of the numbers that stand now, and only its own files."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date
from hashlib import sha256
from pathlib import PurePosixPath
from typing import Literal

from sillwright.errors import SillwrightError
from sillwright.judge.checks import check_run
from sillwright.judge.verdicts import Check
from sillwright.page.folder import JobFolder
from sillwright.page.refusal import Refusal
from sillwright.plates.inputs import read_inputs
from sillwright.plates.record import PlatesPlan
from sillwright.plates.record_file import read_plan
from sillwright.sums import PLANNED, read_sums, sha256_of
from sillwright.survey import RunRecord, Survey
from sillwright.tell.plate_files import TABLES, strip_names

MEDIA_TYPES = {
    ".pdf": "application/pdf",
    ".html": "text/html",
    ".csv": "text/csv",
    ".dxf": "image/vnd.dxf",
}
_FROM = ("survey.json", "job.toml", "plates.json")  # a list without these is of no plan


@dataclass(frozen=True)
class Planned:
    """A plan that belongs. ``files`` : the SHA-256 of each sheet, strip and table, by its name in ``out``."""

    plan: PlatesPlan
    files: Mapping[str, str]


@dataclass(frozen=True)
class RunRules:
    """The rules held against the bolts of a run, by mark; ``planned`` where they are those of the plan, which knows the
    pieces; ``name`` of the rule set."""

    checks: Mapping[str, tuple[Check, ...]]
    name: str
    planned: bool


def read_planned(job: JobFolder) -> Planned | Literal["none", "old", "broken"]:
    """The plan in ``out``; else why there is none to go by: ``old`` where it was planned from other numbers or another
    job file, or a file of it was changed since; ``broken`` where it cannot be read."""
    if not (job.out / "plates.json").exists():
        return "none"
    try:
        plan, sums = read_plan(job.out / "plates.json"), read_sums(job.out / PLANNED)
    except SillwrightError:
        return "broken"
    names = (*TABLES, *strip_names(plan).values())
    if not {*_FROM, *names} <= set(sums) or not all(_is_inside(name) for name in sums):
        return "broken"
    try:
        same = all(sha256_of(job.out / name) == digest for name, digest in sums.items())
    except OSError:
        return "broken"
    return Planned(plan, {name: sums[name] for name in names}) if same else "old"


def planned_file(job: JobFolder, planned: Planned, name: str) -> bytes:
    """One file of a plan, as it was planned. ``name`` is held against those the plan has, and is never opened as such.

    Raises Refusal where the plan has no such file, or it is not as it was planned.
    """
    known = next((one for one in planned.files if one == name), None)
    if known is None:
        raise Refusal(404, "no_file")
    try:
        content = (job.out / known).read_bytes()
    except OSError:
        raise Refusal(409, "file_changed") from None
    if sha256(content).hexdigest() != planned.files[known]:
        raise Refusal(409, "file_changed")
    return content


def run_rules(job: JobFolder, survey: Survey, run: RunRecord, planned: Planned | None) -> RunRules | None:
    """The rules for the bolts of a run: those of the plan, else those that can be told without pieces; None where the
    job file does not say by which rules."""
    if planned is not None:
        bolts = next((one.bolts for one in planned.plan.runs if one.name == run.name), ())
        return RunRules({bolt.mark: bolt.checks for bolt in bolts}, planned.plan.rules.name, planned=True)
    try:
        rules = read_inputs(job.out, survey, date.today().isoformat()).rules
    except SillwrightError:
        return None
    checks: dict[str, tuple[Check, ...]] = {bolt.mark: () for bolt in run.bolts}
    for check in check_run(run, rules):
        if check.subject in checks:
            checks[check.subject] += (check,)
    return RunRules(checks, rules.name, planned=False)


def _is_inside(name: str) -> bool:
    path = PurePosixPath(name)
    return not path.is_absolute() and ".." not in path.parts
