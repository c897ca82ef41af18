"""A package's job measured again from the package alone, for ``audit`` and ``archive``."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import click

if TYPE_CHECKING:
    from sillwright.archive.again import Differences


def measured_again(package: Path, name: str, *, aside: bool = False) -> Differences:
    """Measure a package that stands up to its manifests, print what came out, and give what differs.

    name : what to call it; aside : print on standard error. Raises DamageError where it names a profile outside of it.
    """
    from rich.console import Console

    from sillwright.archive.again import differences
    from sillwright.archive.package import RESULTS, read_record
    from sillwright.cli.measure import progress_bar, workers_for
    from sillwright.errors import DamageError
    from sillwright.job import load_job
    from sillwright.measure import measure_job
    from sillwright.survey_file import read_survey
    from sillwright.tell.archive_words import again_lines

    package = package.resolve()
    sealed = read_survey(package / "data" / RESULTS / "survey.json")
    job = load_job(package / "data" / read_record(package).job_file)
    if job.profile_path is not None and not job.profile_path.resolve().is_relative_to(package / "data"):
        raise DamageError(f"{name} names a phone profile outside of it, so it is not measured.")
    with progress_bar(Console(stderr=True)) as progress:
        again = measure_job(job, workers=workers_for(job), progress=progress)
    found = differences(sealed, again)
    for line in again_lines(name, found):
        click.echo(line, err=aside)
    for library in sorted(sealed.libraries.keys() | again.libraries.keys()):
        then, now = sealed.libraries.get(library, "not told"), again.libraries.get(library, "not told")
        if then != now:
            click.echo(f"  {library}: {then} then, {now} now", err=True)
    return found
