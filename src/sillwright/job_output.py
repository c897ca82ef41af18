"""The folder of a measurement: what must not be written over in it, and the copy of the job file that is kept there."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Literal

from sillwright.errors import JobError
from sillwright.job import Job
from sillwright.survey import read_survey, write_aside


@dataclass(frozen=True)
class Clash:
    """A path that a result would be written to, and what stands there: a folder, a file the job is made from, or a
    file that no measurement wrote."""

    path: Path
    stands_there: Literal["folder", "source", "foreign"]


def first_clash(to_write: Iterable[Path], sources: Sequence[Path], was_measured: bool) -> Clash | None:
    """The first of the files to write that must not be written; None where all may be.

    sources : photos and other files the job is made from; was_measured : as :func:`holds_survey` says
    """
    for path in to_write:
        if path.is_dir():
            return Clash(path, "folder")
        if not path.exists():
            continue
        if any(path.samefile(source) for source in sources if source.exists()):
            return Clash(path, "source")
        if not was_measured:
            return Clash(path, "foreign")
    return None


def holds_survey(output: Path) -> bool:
    """Whether an earlier measurement wrote in this folder."""
    try:
        read_survey(output / "survey.json")
    except JobError:
        return False
    return True


def sources_of(job: Job, job_file: Path | None) -> list[Path]:
    """Every file a job is made from: photos, profile, the job file and what it names for the plates."""
    profile = [job.profile_path] if job.profile_path else []
    beside = [job_file, *(job.folder / name for name in job.files_beside)] if job_file else []
    return [*job.photos, *profile, *beside]


def job_copies(job: Job, job_file: Path, output: Path) -> dict[Path, Path]:
    """From where to where the files go that make the folder complete by itself: the job file, and what it names for
    the plates. None is copied onto itself."""
    files = {job_file: output / "job.toml"} | {job.folder / name: output / name for name in job.files_beside}
    return {source: copy for source, copy in files.items() if source.resolve() != copy.resolve()}


def keep_job(job: Job, job_file: Path, output: Path) -> Path | None:
    """Copy them. A copy of the job file that was written in since is kept under another name, which is returned."""
    before = None
    for source, copy in job_copies(job, job_file, output).items():
        content = source.read_bytes()
        if source == job_file and copy.exists() and copy.read_bytes() != content:
            before = output / "job-before.toml"
            write_aside(before, copy.read_bytes())
        write_aside(copy, content)
    return before
