"""The folder of a measurement: what must not be written over in it, and the copy of the job file that is kept there."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Literal

from sillwright.corrections_file import CORRECTIONS
from sillwright.errors import JobError
from sillwright.job import Job
from sillwright.job_file import JobTable
from sillwright.job_layout import files_beside
from sillwright.sums import MEASURED, sums_bytes, sums_of
from sillwright.survey_file import read_survey
from sillwright.whole_file import write_aside


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


@dataclass(frozen=True)
class KeptBefore:
    """A file of the results' folder that was not measured with, and where it is kept now.

    source : the file it differed from; None where there is none
    """

    path: Path
    before: Path
    source: Path | None


def keep_job(job: Job, job_file: Path, output: Path) -> tuple[KeptBefore, ...]:
    """Copy them. What was written in a copy of the job file or of the corrections since, and corrections that lie there
    and not beside the job file, are kept under another name and returned."""
    kept = []
    for source, copy in job_copies(job, job_file, output).items():
        content = source.read_bytes()
        if (source == job_file or source.name == CORRECTIONS) and copy.exists() and copy.read_bytes() != content:
            before = copy.with_name(f"{copy.stem}-before.toml")
            write_aside(before, copy.read_bytes())
            kept.append(KeptBefore(copy, before, source))
        write_aside(copy, content)
    stray = output / CORRECTIONS
    if stray.exists() and CORRECTIONS not in job.files_beside:
        kept.append(KeptBefore(stray, stray.replace(output / f"{stray.stem}-before.toml"), None))
    return tuple(kept)


def list_measured(output: Path, written: Sequence[Path]) -> None:
    """Leave measure.sha256 over survey.json and what else was written, last, so that a cut measurement shows."""
    write_aside(output / MEASURED, sums_bytes(sums_of(output, [output / "survey.json", *written])))


def sums_planned_from(folder: Path, table: JobTable) -> dict[str, str]:
    """The checksums of what plates are planned from, by name: the record, the job file and what it names."""
    return sums_of(folder, [folder / name for name in ("survey.json", "job.toml", *files_beside(table))])
