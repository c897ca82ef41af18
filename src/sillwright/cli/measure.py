"""``sillwright measure``: a job, or a few photos, to the record and the report."""

from __future__ import annotations

import os
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING

import click

from sillwright.cli.output import check_folder, tell_of_repeats

if TYPE_CHECKING:
    from rich.console import Console

    from sillwright.candidates import Candidate
    from sillwright.job import Job
    from sillwright.measure import Progress
    from sillwright.survey import Survey

MOST_WORKERS = 8


@click.command()
@click.argument(
    "job_or_photos", nargs=-1, required=True, type=click.Path(path_type=Path), metavar="JOB.toml | PHOTO..."
)
@click.option(
    "-o",
    "--output",
    type=click.Path(path_type=Path),
    default=Path("sillwright-out"),
    show_default=True,
    metavar="FOLDER",
    help="Where survey.json, the report and the pictures go.",
)
@click.option(
    "--paper",
    type=click.Choice(["letter", "a4"], case_sensitive=False),
    default="letter",
    show_default=True,
    help="Paper for the PDF sheet.",
)
@click.option("--json", "as_json", is_flag=True, help="Print the record as JSON instead of tables.")
@click.option(
    "--candidates",
    is_flag=True,
    help="Also draw, on each photo, every place that was considered for a bolt and why it is none.",
)
def measure(job_or_photos: tuple[Path, ...], output: Path, paper: str, as_json: bool, candidates: bool) -> None:
    """Measure every bolt of a job from its photos.

    Give the job file, or just photos of one run for a quick look. Exit status 0: every run, corner and photo is ok;
    1: measured, and something wants a look first; 2: the job or the command line is wrong; 3: not one photo could be
    read; 4: no card was seen.
    """
    import json

    from rich.console import Console

    from sillwright.errors import MeasureError
    from sillwright.job_output import list_measured
    from sillwright.measure import measure_job
    from sillwright.survey import worst
    from sillwright.survey_file import to_json, write_survey

    job = job_of(job_or_photos)
    job_file = job_or_photos[0] if job_or_photos[0].suffix.lower() == ".toml" else None
    _make_folder(output, job, job_file)
    talk = Console(stderr=True)
    if job_file is not None:
        _tell_of_names(job)
    considered: list[Candidate] = []
    with progress_bar(talk) as progress:
        survey = measure_job(
            job, workers=workers_for(job), progress=progress, considered=considered.extend if candidates else None
        )
    write_survey(survey, output / "survey.json")
    if job_file is not None:
        _keep_job(job, job_file, output, talk)
    written = _report(survey, output, job.folder, paper, talk)
    if (output / "plates.json").exists():
        talk.print(f"The plates planned in {output} are of an earlier measurement: run sillwright plates {output}.")
    if candidates:
        written += _draw_candidates(survey, considered, output, job.folder, talk)
    list_measured(output, written)
    if as_json:
        click.echo(json.dumps(to_json(survey), indent=1, ensure_ascii=False))
    else:
        _tables(survey)
    if not any(run.cards for run in survey.runs):
        raise SystemExit(MeasureError.exit_code)
    statuses = [run.status for run in survey.runs] + [corner.status for corner in survey.corners]
    if worst(*statuses, *(photo.status for photo in survey.photos)) != "ok":
        raise SystemExit(1)


def _make_folder(output: Path, job: Job, job_file: Path | None) -> None:
    """The output folder, made before anything is measured: minutes of work must not end at a wrong name, and no
    photo must be written over."""
    from sillwright.job_output import holds_survey, job_copies, sources_of
    from sillwright.tell.report import result_paths

    copies = job_copies(job, job_file, output).values() if job_file is not None else ()
    check_folder(output, [*result_paths(job, output), *copies], holds_survey(output), sources_of(job, job_file))


def _tell_of_names(job: Job) -> None:
    """Say before minutes of work which photos could not be archived afterwards under the names that they have."""
    from sillwright.archive.package_names import name_faults

    for fault in name_faults(dict.fromkeys(job.file_name(photo) for photo in job.photos)):
        click.echo(f"sillwright: no package can hold a photo's name: {fault}", err=True)


def _keep_job(job: Job, job_file: Path, output: Path, talk: Console) -> None:
    """Copy the job file along; of what lay there and was not measured with it is told where it is kept."""
    from sillwright.job_output import keep_job

    for kept in keep_job(job, job_file, output):
        differed = "was not measured with" if kept.source is None else f"differed from {kept.source}"
        talk.print(f"{kept.path} {differed}; it is kept as {kept.before}.", highlight=False)


def job_of(paths: tuple[Path, ...]) -> Job:
    """The job of a job file, or of bare photos."""
    from sillwright.job import job_from_photos, load_job

    if len(paths) == 1 and paths[0].suffix.lower() == ".toml":
        return load_job(paths[0])
    tell_of_repeats(paths)
    return job_from_photos(paths)


def workers_for(job: Job) -> int:
    """How many processes a job is worth: one for a photo or two."""
    photos = {photo for run in job.runs for photo in run.photos}
    return min(os.cpu_count() or 1, MOST_WORKERS) if len(photos) > 2 else 1


@contextmanager
def progress_bar(console: Console) -> Iterator[Progress | None]:
    """A progress bar on a terminal, nothing elsewhere."""
    from rich.progress import BarColumn, MofNCompleteColumn, Progress, TextColumn

    if not console.is_terminal:
        yield None
        return
    with Progress(
        TextColumn("{task.description}"), BarColumn(), MofNCompleteColumn(), console=console, transient=True
    ) as bar:
        tasks = {}

        def tell(what: str, done: int, total: int) -> None:
            if what not in tasks:
                tasks[what] = bar.add_task(what, total=total)
            bar.update(tasks[what], completed=done)

        yield tell


def _report(survey: Survey, output: Path, photo_root: Path, paper: str, talk: Console) -> list[Path]:
    from sillwright.tell.report import write_report

    paths = write_report(survey, output, photo_root, paper="a4" if paper.lower() == "a4" else "letter")
    talk.print(f"Wrote {output / 'survey.json'}, {paths.html} and {paths.pdf}.", highlight=False)
    return paths.every


def _draw_candidates(
    survey: Survey, considered: list[Candidate], output: Path, photo_root: Path, talk: Console
) -> list[Path]:
    from sillwright.tell.candidates import write_candidates

    written = write_candidates(survey, considered, output, photo_root)
    for path in written:
        talk.print(f"Wrote {path}.", highlight=False)
    return written


def _tables(survey: Survey) -> None:
    from rich.console import Console

    from sillwright.tell.reasons import explain
    from sillwright.tell.tables import hole_table, lean_table
    from sillwright.tell.wording import corner_line

    console = Console()
    for run in survey.runs:
        console.print(hole_table(run))
        if run.bolts:
            console.print(lean_table(survey, run))
    for corner in survey.corners:
        console.print(corner_line(corner), highlight=False, markup=False)
        for finding in corner.reasons:
            console.print(f"  {explain(finding, 'corner')}", highlight=False, markup=False)
    for photo in survey.photos:
        for finding in photo.reasons:
            if photo.status != "ok":
                console.print(f"  {photo.file}: {explain(finding, 'photo')}", highlight=False, markup=False)
