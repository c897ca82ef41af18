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
    from hashlib import sha256

    from rich.console import Console

    from sillwright.job_layout import files_beside
    from sillwright.plates.inputs import read_inputs
    from sillwright.plates.plan import plan_job
    from sillwright.plates.record_file import to_bytes
    from sillwright.sums import PLANNED, sums_bytes, sums_of

    survey = _survey(folder)
    inputs = read_inputs(folder, survey, date.today().isoformat())
    beside = [folder / name for name in ("survey.json", "job.toml", *files_beside(inputs.job))]
    planned_from = sums_of(folder, beside)
    plan = plan_job(survey, inputs)
    files = {"plates.json": to_bytes(plan), **_sheets(plan, survey, paper.lower())}
    sums = {name: sha256(content).hexdigest() for name, content in files.items()}
    _write(folder, {**files, PLANNED: sums_bytes(planned_from | sums)})
    _print(plan)
    Console(stderr=True).print(f"Wrote plates.json and {len(files)} files more in {folder}.", highlight=False)
    if plan.status != "ok":
        raise SystemExit(1)


def _survey(folder: Path) -> Survey:
    """The record in the folder. Raises JobError where there is none."""
    from sillwright.errors import JobError
    from sillwright.survey import read_survey

    if folder.is_file():
        raise JobError(f"{folder} is a file. Name the folder that measure wrote, like sillwright-out.")
    if not (folder / "survey.json").is_file():
        raise JobError(
            f"{folder} has no survey.json. Measure first, with sillwright measure job.toml -o {folder}, then name that "
            "folder."
        )
    return read_survey(folder / "survey.json")


def _sheets(plan: PlatesPlan, survey: Survey, paper: str) -> dict[str, bytes]:
    """Every file for people and machines beside plates.json, by its name in the folder. Sheets are added here."""
    from sillwright.tell.plate_files import plate_files

    return plate_files(plan, "a4" if paper == "a4" else "roll" if paper == "roll" else "letter")


def _write(folder: Path, files: dict[str, bytes]) -> None:
    """Write every file over what an earlier plan wrote and over nothing else, and take away its strips of pieces that
    are no more: an old strip would be drilled from."""
    from sillwright.survey import write_aside

    earlier = _earlier(folder)
    for name in files:
        path = folder / name
        if path.parent != folder and path.parent.exists() and not path.parent.is_dir():
            raise click.UsageError(f"{path.parent} is a file where a folder is to go. Move it away, then plan again.")
        if path.is_dir() or (path.exists() and name not in earlier):
            raise click.UsageError(f"{path} is there already, and no plan wrote it. Move it away, then plan again.")
    # The record goes first and tells what is there; a strip that is gone from it is then no file of this plan.
    for name in sorted(earlier - set(files)):
        (folder / name).unlink(missing_ok=True)
    for name, content in files.items():
        write_aside(folder / name, content)


def _earlier(folder: Path) -> set[str]:
    """The files an earlier plan left in the folder."""
    from sillwright.errors import JobError
    from sillwright.plates.record_file import read_plan
    from sillwright.sums import PLANNED
    from sillwright.tell.plate_files import TABLES, strip_names

    try:
        plan = read_plan(folder / "plates.json")
    except JobError:
        return set()
    return {"plates.json", PLANNED, *TABLES, *strip_names(plan).values()}


def _print(plan: PlatesPlan) -> None:
    from rich.console import Console

    from sillwright.tell.plate_tables import pieces_table, plan_lines

    console = Console()
    for run in plan.runs:
        console.print(pieces_table(plan, run))
    for line in plan_lines(plan):
        console.print(line, highlight=False, markup=False)
