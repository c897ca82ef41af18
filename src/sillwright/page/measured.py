"""What was measured of a job, whether it still is of its photos and job file, and whether it is cleared to drill."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from sillwright.corrections_file import CORRECTIONS, read_corrections
from sillwright.decisions import Decision, Decisions, read_decisions
from sillwright.errors import JobError, PhotoError, SillwrightError
from sillwright.job_measured import measured_parts
from sillwright.judge.clearance import Clearance, clearance
from sillwright.page.folder import JobFolder, Place
from sillwright.page.looks import sha256_of_all
from sillwright.page.refusal import Refusal
from sillwright.page.store import Store
from sillwright.photo import read_facts
from sillwright.survey import PhotoRecord, RunRecord, Survey
from sillwright.survey_file import read_survey


@dataclass(frozen=True)
class DrillState:
    """How a measured job stands with the foreman.

    runs : each run of the record, in its order; changed : photos or job file are not those it was measured from
    fault : why what was said of it cannot be read; nothing is cleared then
    """

    decisions: Decisions
    runs: tuple[Clearance, ...]
    changed: bool
    fault: str = ""

    def of(self, run: str) -> Clearance:
        """How one run stands. Raises StopIteration where the record has no such run."""
        return next(one for one in self.runs if one.run == run)

    def run_cleared(self, run: str) -> bool:
        """Whether one run may be drilled, as far as the measuring goes."""
        return not self.changed and not self.fault and self.of(run).cleared

    @property
    def cleared(self) -> bool:
        """Whether every run may be: only then are plates made and handed out."""
        return bool(self.runs) and all(self.run_cleared(one.run) for one in self.runs)


def measured(job: JobFolder) -> Survey:
    """The record of a job. Raises Refusal where it was not measured, or what is there cannot be read."""
    survey, fault = survey_of(job)
    if survey is None:
        raise Refusal(409, "unreadable_results" if fault else "not_measured")
    return survey


def measured_run(job: JobFolder, place: Place) -> tuple[Survey, RunRecord]:
    """The record of a job, and its run of that place; raises as :func:`measured`, and where it has no such run."""
    survey = measured(job)
    run = next((run for run in survey.runs if (run.name,) == place.runs), None)
    if run is None:
        raise Refusal(409, "not_measured")
    return survey, run


def drill_state(store: Store, job: JobFolder, survey: Survey) -> DrillState:
    """Hold a record against what was said of it, and against the photos and the job file as they are."""
    changed = changed_since(store, job, survey)
    try:
        decisions = read_decisions(job.out)
    except JobError as fault:
        told = job.told(fault)
        return DrillState(Decisions(), tuple(clearance(run, Decisions()) for run in survey.runs), changed, told)
    return DrillState(decisions, tuple(clearance(run, decisions) for run in survey.runs), changed)


def last_word(found: Clearance) -> Decision | None:
    """The newest of the words by which a run is cleared; None where every bolt is ok by itself."""
    said = [one.said for one in (found.whole, *found.bolts) if one.said is not None]
    return max(said, key=lambda one: one.at, default=None)


def survey_of(job: JobFolder) -> tuple[Survey | None, str]:
    """What was measured, or None and, where there is a record that cannot be read, why."""
    path = job.out / "survey.json"
    if not path.exists():
        return None, ""
    try:
        return read_survey(path), ""
    except SillwrightError as fault:
        return None, job.told(fault)


def changed_since(store: Store, job: JobFolder, survey: Survey) -> bool:
    """Whether the photos or the job file are not those the numbers were measured from."""
    there = sha256_of_all(store, job)
    if len(there) != len(survey.photos) or not all(_as_measured(job, photo, there) for photo in survey.photos):
        return True
    try:
        now = measured_parts(job.table, read_corrections(job.path)) if job.table is not None else {}
    except JobError:  # a file of corrections that cannot be read was not measured with
        return True
    # Headings that came since are runs without photos then, and runs are not measured for those; corrections count.
    return any(
        now.get(heading) != survey.measured_with.get(heading) for heading in {*survey.measured_with, CORRECTIONS}
    )


def _as_measured(job: JobFolder, photo: PhotoRecord, there: Mapping[str, str]) -> bool:
    if photo.sha256:
        return photo.sha256 == there.get(photo.file)
    # It could not be read, so the record knows it by its name alone: it has changed if it can be read now.
    try:
        read_facts(job.path / photo.file)
    except PhotoError:
        return photo.file in there
    return False
