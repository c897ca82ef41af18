"""What a plan is made from beside the record: the job file, the rules, the level readings, and the day."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace
from pathlib import Path

from sillwright.corrections_file import CorrectionsTable, read_corrections
from sillwright.crew_file import job_error
from sillwright.errors import JobError
from sillwright.job import agreement_faults
from sillwright.job_file import CornerTable, JobTable, RunTable, read_job_file
from sillwright.job_layout import beside_faults, is_file_of_rules
from sillwright.job_measured import changed_faults
from sillwright.judge.own_rules import rule_set_from_toml
from sillwright.judge.passes import BendLimits
from sillwright.judge.rules import RULE_SETS, LengthFigure, RuleSet, Source, rule_set
from sillwright.lengths import MM_PER_INCH
from sillwright.plates.levels import LevelPoint, Sense, ShimRules, read_level_points
from sillwright.survey import Survey

PLATE_THICKNESS_MM = 1.5 * MM_PER_INCH  # 2-by lumber, dry (American Softwood Lumber Standard PS 20)
# Where neither crew nor rule set says: NDS 12.1.3.2, the larger of its bounds (second-hand).
HOLE_OVER_MM = MM_PER_INCH / 16.0
_SENSES: dict[str, Sense] = {"rod": "larger is lower", "height": "larger is higher"}


@dataclass(frozen=True)
class PlanInputs:
    """The checked job file with the rules it names, and its level readings as heights from one datum.

    date : the day of the plan, as ISO 8601 writes it
    """

    job: JobTable
    rules: RuleSet
    level_points: tuple[LevelPoint, ...] = ()
    date: str = ""

    @property
    def stack_mm(self) -> float:
        """All plates on each other."""
        return self.job.plate.layers * PLATE_THICKNESS_MM

    @property
    def drill_mm(self) -> float:
        """The hole to drill: as the crew says, else the largest the rules allow, else as NDS has it."""
        over_mm = self.job.layout.hole_over_mm
        if over_mm is None:
            figure = self.rules.hole_over_largest
            over_mm = HOLE_OVER_MM if figure is None else figure.value_mm
        return self.job.bolts.bolt.diameter_mm + over_mm

    @property
    def bend_limits(self) -> BendLimits:
        """The crew's limit for bending a bolt back, where it set one."""
        limit_deg = self.job.layout.lean_limit_deg
        return BendLimits() if limit_deg is None else BendLimits(cold_bend_deg=limit_deg)

    @property
    def shim_rules(self) -> ShimRules:
        """What shims are set by, as the crew says."""
        layout = self.job.layout
        return ShimRules(
            spacing_mm=layout.shim_every_mm, tolerance_mm=layout.level_within_mm, limit_mm=layout.shim_at_most_mm
        )

    def run_table(self, name: str) -> RunTable:
        """What the job file says of a run; runs of the record are all in it."""
        return next(run for run in self.job.run if run.name == name)

    def corner_table(self, runs: tuple[str, str]) -> CornerTable:
        """What it says of a corner; corners of the record are all in it."""
        return next(corner for corner in self.job.corner if set(corner.runs) == set(runs))


def read_inputs(folder: Path, survey: Survey, date: str) -> PlanInputs:
    """Read the job file that ``measure`` left in its folder, and the files it names.

    Raises JobError with a sentence for each fault: what is wrong, where in the file, and what to do.
    """
    path = folder / "job.toml"
    if not path.exists():
        raise JobError(
            f"{folder} has no job.toml. Plates are planned from a job file, which measure keeps a copy of: write one, "
            f"and run sillwright measure job.toml -o {folder}"
        )
    table = read_job_file(path)
    faults = [
        *agreement_faults(table),
        *beside_faults(table, folder),
        *_other_job(table, read_corrections(folder), survey),
    ]
    if faults:
        raise job_error(path, faults)
    return PlanInputs(table, _rules(table, folder), _level_points(table, folder), date)


def _other_job(table: JobTable, corrections: CorrectionsTable | None, survey: Survey) -> Iterator[str]:
    """What of the job file the record was not measured with."""
    if survey.measured_with:
        yield from changed_faults(survey.measured_with, table, corrections)
        return
    again = "Measure again with this job file, or put back the one it was measured with."
    names, measured = {run.name for run in table.run}, {run.name for run in survey.runs}
    for name in sorted(names ^ measured):
        where = "is not in survey.json" if name in names else "is in survey.json and not in the job file"
        yield f'[[run]] "{name}" {where}. {again}'
    corners = {frozenset(corner.runs) for corner in table.corner}
    for corner in survey.corners:
        if frozenset(corner.runs) not in corners:
            yield f"[[corner]] {' and '.join(corner.runs)} is in survey.json and not in the job file. {again}"
    for run in survey.runs:
        if abs(run.plate_width_mm - table.plate.actual_width_mm) > 0.01:
            yield (
                f'[plate]: run "{run.name}" was measured for a plate {run.plate_width_mm:.1f} mm wide, and this one is '
                f"{table.plate.actual_width_mm:.1f} mm. {again}"
            )
        if any(abs(bolt.diameter_mm - table.bolts.bolt.diameter_mm) > 0.01 for bolt in run.bolts):
            yield f'[bolts], diameter: run "{run.name}" was measured with another one. {again}'


def _rules(table: JobTable, folder: Path) -> RuleSet:
    """The rule set with what the job file says of it: seismic, and the crew's overhang."""
    named = table.layout.rules
    if is_file_of_rules(named):
        try:
            text = (folder / named).read_text(encoding="utf-8-sig")
        except (OSError, UnicodeDecodeError) as fault:
            raise JobError(f"{named} cannot be read as text ({fault}). Save it as TOML in UTF-8.") from fault
        rules = rule_set_from_toml(text, Path(named).stem)
    elif named in RULE_SETS:
        rules = rule_set(named)
    else:
        raise JobError(
            f"job.toml: [layout], rules: {named!r} is not a rule set. There are {', '.join(RULE_SETS)}; a set of your "
            'own is a file beside the job file, like "our-rules.toml".'
        )
    if table.layout.seismic:
        rules = replace(rules, seismic=True)
    if "overhang_mm" in table.layout.model_fields_set:
        crew = Source("job.toml, [layout] overhang", "", "", "crew")
        rules = replace(rules, overhang_largest=LengthFigure(table.layout.overhang_mm, crew))
    return rules


def _level_points(table: JobTable, folder: Path) -> tuple[LevelPoint, ...]:
    """All readings of the job, each with its run."""
    levelled = [(run.name, run.levels) for run in table.run if run.levels is not None]
    if len({levels.reads for _, levels in levelled}) > 1:
        raise JobError(
            "job.toml: [run.levels], reads: some runs have rod readings and others heights, so that they share no "
            "datum. Write all of them one way."
        )
    names = {run.name for run in table.run}
    points: dict[LevelPoint, None] = {}
    for run, levels in levelled:
        shared = sum(other.file == levels.file for _, other in levelled) > 1
        for point in read_level_points(folder / levels.file, _SENSES[levels.reads]):
            if not point.run and shared:
                raise JobError(f"{levels.file}: several runs name it, and it has no column run. Add one.")
            if point.run and point.run not in names:
                raise JobError(f'{levels.file}: there is no run "{point.run}" in job.toml. Correct its column run.')
            points[replace(point, run=point.run or run)] = None
    return tuple(points)
