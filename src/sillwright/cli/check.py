"""``sillwright check``: what to shoot again, while the crew still stands there."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import click

from sillwright.cli.measure import job_of, progress_bar, workers_for


@click.command()
@click.argument(
    "job_or_photos", nargs=-1, required=True, type=click.Path(path_type=Path), metavar="JOB.toml | PHOTO..."
)
@click.option(
    "--profile",
    type=click.Path(dir_okay=False, path_type=Path),
    metavar="FILE",
    help="The phone's profile, as calibrate wrote it; for photos without a job file.",
)
def check(job_or_photos: tuple[Path, ...], profile: Path | None) -> None:
    """Say what is missing, where to stand and which card to move, before anyone leaves.

    Give the photos of one run, or the job file. Nothing is written. Exit status 0: nothing to shoot again; 1: something
    is; 2 to 4: as for measure.
    """
    from rich.console import Console

    from sillwright.measure import measure_job
    from sillwright.tell.advice import advice_lines, closing_line

    job = job_of(job_or_photos)
    if profile is not None:
        job = replace(job, profile_path=profile)
    with progress_bar(Console(stderr=True)) as progress:
        survey = measure_job(job, workers=workers_for(job), progress=progress)
    lines = advice_lines(survey)
    for line in (*lines, closing_line(survey, lines)):
        click.echo(line)
    if lines:
        raise SystemExit(1)
