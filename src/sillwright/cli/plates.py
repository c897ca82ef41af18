"""``sillwright plates``: from the folder that ``measure`` wrote to pieces, holes, cuts and strips."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import click

if TYPE_CHECKING:
    from sillwright.plates.record import PlatesPlan
    from sillwright.survey import Survey


@click.command()
@click.argument("folder", type=click.Path(path_type=Path), metavar="OUT")
@click.option(
    "--paper",
    type=click.Choice(["letter", "a4", "roll"], case_sensitive=False),
    default="letter",
    show_default=True,
    help="Paper for the drilling strips: sheets to join, or one long page. Lists are on Letter or A4.",
)
def plates(folder: Path, paper: str) -> None:
    """Plan the plates: where to cut, joint, drill and shim.

    OUT is the folder that measure wrote, with survey.json and a copy of the job file in it; the plan goes there too.
    Exit status 0: nothing to decide; 1: planned, and something is to be decided first; 2: the job file, or what it
    says beside the photos, is wrong.
    """
    from datetime import date

    from rich.console import Console

    from sillwright.job_output import sums_planned_from
    from sillwright.plates.inputs import read_inputs
    from sillwright.plates.plan import plan_job
    from sillwright.tell.plate_files import write_plan

    survey = _survey(folder)
    inputs = read_inputs(folder, survey, date.today().isoformat())
    planned_from = sums_planned_from(folder, inputs.job)
    plan = plan_job(survey, inputs)
    kind = paper.lower()
    files = write_plan(folder, plan, "a4" if kind == "a4" else "roll" if kind == "roll" else "letter", planned_from)
    _print(plan)
    Console(stderr=True).print(f"Wrote plates.json and {len(files)} files more in {folder}.", highlight=False)
    if plan.status != "ok":
        raise SystemExit(1)


def _survey(folder: Path) -> Survey:
    """The record in the folder. Raises JobError where there is none."""
    from sillwright.errors import JobError
    from sillwright.survey_file import read_survey

    if folder.is_file():
        raise JobError(f"{folder} is a file. Name the folder that measure wrote, like sillwright-out.")
    if not (folder / "survey.json").is_file():
        raise JobError(
            f"{folder} has no survey.json. Measure first, with sillwright measure job.toml -o {folder}, then name that "
            "folder."
        )
    return read_survey(folder / "survey.json")


def _print(plan: PlatesPlan) -> None:
    from rich.console import Console

    from sillwright.tell.plate_tables import pieces_table, plan_lines

    console = Console()
    for run in plan.runs:
        console.print(pieces_table(plan, run))
    for line in plan_lines(plan):
        console.print(line, highlight=False, markup=False)
