"""Which files a package is made of, and where each is laid in it; read and checked before anything is copied."""

from __future__ import annotations

import os
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path, PurePosixPath, PureWindowsPath

from sillwright.archive.belongs import NotTold, check_belonging
from sillwright.archive.package import JOB, RESULTS
from sillwright.archive.package_names import name_faults
from sillwright.corrections_file import CORRECTIONS
from sillwright.errors import ArchiveError, PhotoError
from sillwright.job import kept_job
from sillwright.job_file import JobTable
from sillwright.job_layout import files_beside
from sillwright.photo import read_facts
from sillwright.survey import PhotoRecord, Survey
from sillwright.survey_file import read_survey

MOST_UP = 8  # folders that a profile's path may go up


@dataclass(frozen=True)
class Contents:
    """What is to be sealed.

    files : by its path in ``data/``, with forward slashes, the file it is a copy of
    expected : by the same path, the SHA-256 of each file as measure or plates had it, where the record or a list tells;
    none for photos that could not be read
    job_file, profile : their paths in ``data/``
    taken : the last moment a photo was taken at, by the cameras' clocks
    not_told : what older versions left no checksum of, so that it is not known to belong here
    """

    survey: Survey
    files: dict[str, Path]
    expected: dict[str, str]
    job_file: str
    profile: str | None
    taken: datetime | None
    not_told: tuple[NotTold, ...] = ()


def read_contents(out: Path, job_folder: Path | None, near: Path) -> Contents:
    """Everything that belongs to the results in ``out``.

    job_folder : where the job's photos lie; None: looked for in ``out``, above it, and in ``near``
    Raises ArchiveError or JobError, with a sentence for each fault, where something is missing, is not what was
    measured, or has a name that no package can hold.
    """
    survey = read_survey(out / "survey.json")
    table = _job_table(out, survey)
    folder = job_folder if job_folder is not None else _job_folder(out, near, survey)
    named = None if table.camera.profile is None else PurePosixPath(table.camera.profile)
    up = 0 if named is None else _folders_up(named)
    base = "/".join([JOB, *["site"] * up])
    profile = None if named is None else "/".join((JOB, *named.parts[up:]))
    files = {f"{base}/job.toml": out / "job.toml"}
    beside = (*files_beside(table), *([CORRECTIONS] if (out / CORRECTIONS).exists() else []))
    files |= {f"{base}/{name}": out / name for name in beside}
    files |= {f"{base}/{photo.file}": folder / photo.file for photo in survey.photos}
    if named is not None and profile is not None:
        _lay_profile(files, profile, folder / named)
    inputs = frozenset(["job.toml", CORRECTIONS, *beside])
    results = dict(_results(out, set(files.values()), inputs))
    files |= {f"{RESULTS}/{name}": path for name, path in results.items()}
    _check(files, survey, folder)
    belonging = check_belonging(out, survey, results, inputs)
    expected = {f"{base}/{photo.file}": photo.sha256 for photo in survey.photos if photo.sha256}
    expected |= {f"{RESULTS}/{name}": digest for name, digest in belonging.sums.items()}
    if profile is not None and survey.profile_sha256:
        expected[profile] = survey.profile_sha256
    not_told = [*_not_told(survey, profile), *belonging.not_told]
    taken = _last_taken(folder, survey.photos)
    return Contents(survey, files, expected, f"{base}/job.toml", profile, taken, tuple(not_told))


def _not_told(survey: Survey, profile: str | None) -> Iterator[NotTold]:
    """What the record itself says nothing of."""
    if profile is not None and not survey.profile_sha256:
        yield "profile"
    if not survey.libraries:
        yield "libraries"


def _job_table(out: Path, survey: Survey) -> JobTable:
    """The job file in the results, which must be the one that was measured with."""
    lacks = ArchiveError(
        f"{out} has no job.toml. A package is made of a job, which measure keeps a copy of: write a job file, and "
        f"run sillwright measure job.toml -o {out}"
    )
    return kept_job(out, survey.measured_with, lacks)


def _job_folder(out: Path, near: Path, survey: Survey) -> Path:
    """The first of the likely folders that holds every photo under the name the record has for it."""
    tried = list(dict.fromkeys((near.resolve(), out.resolve(), out.resolve().parent)))
    for folder in tried:
        if all((folder / photo.file).is_file() for photo in survey.photos):
            return folder
    missing = survey.photos[0].file if survey.photos else "job.toml"
    raise ArchiveError(
        f"the photos of {out} are not in {tried[0]}, nor in {out}, nor above it. Name the folder of the job file that "
        f"they were measured from with --photos, so that {missing} lies in it."
    )


def _folders_up(named: PurePosixPath) -> int:
    """How many folders a profile's path goes up before it goes down."""
    parts = named.parts
    up = next((place for place, part in enumerate(parts) if part != ".."), len(parts))
    wrong = (
        named.is_absolute()
        or PureWindowsPath(str(named)).drive
        or "\\" in str(named)
        or ".." in parts[up:]
        or up > MOST_UP
        or up == len(parts)
    )
    if wrong:
        raise ArchiveError(
            f"[camera] profile {str(named)!r} cannot be laid into a package, where it would have to lie on the same "
            "path from the job file. Copy the profile beside the job file, name it there and measure again."
        )
    return up


def _lay_profile(files: dict[str, Path], place: str, source: Path) -> None:
    if not source.is_file():
        raise ArchiveError(f"{source}, the profile that the job file names, is not there. Put it back, then archive.")
    if place in files and not files[place].samefile(source):
        raise ArchiveError(
            f"the profile {source} would lie where {files[place]} lies. Rename the profile and measure again."
        )
    files[place] = source


def _results(out: Path, laid: set[Path], inputs: frozenset[str]) -> Iterator[tuple[str, Path]]:
    """Every file of the results' folder by its path in it, apart from hidden ones and from photos, or the profile, that
    lie there. The job file and what it names, ``inputs``, are laid with the photos and are results as well."""
    photos = {path.resolve() for path in laid} - {(out / name).resolve() for name in inputs}
    for here, folders, names in os.walk(out):
        folders[:] = sorted(name for name in folders if not name.startswith("."))
        for name in sorted([*names, *folders]):
            path = Path(here, name)
            if path.is_symlink():
                raise ArchiveError(
                    f"{path} is a link, and what it leads to may change. Put the file itself there, or take it away."
                )
        for name in sorted(names):
            path = Path(here, name)
            if name.startswith(".") or path.resolve() in photos:
                continue
            if not path.is_file():
                raise ArchiveError(f"{path} is no file that can be kept. Take it away, then archive.")
            yield path.relative_to(out).as_posix(), path


def _check(files: dict[str, Path], survey: Survey, folder: Path) -> None:
    """Raise one ArchiveError with a sentence for each name and file that cannot go into a package."""
    faults = name_faults(files)
    for photo in survey.photos:
        parts = PurePosixPath(photo.file)
        if parts.is_absolute() or ".." in parts.parts:
            faults.append(f"survey.json names a photo {photo.file!r} that is not in the job's folder. Measure again.")
        elif not (folder / photo.file).is_file():
            faults.append(f"photo {photo.file} is not in {folder}. Put it back, or name its folder with --photos.")
    photos = {folder / photo.file for photo in survey.photos}
    faults += [
        f"{path}, which job.toml names, is not there. Put it back, or measure again, and plates, then archive."
        for path in files.values()
        if path not in photos and not path.is_file()
    ]
    if faults:
        raise ArchiveError("\n".join(faults))


def _last_taken(folder: Path, photos: tuple[PhotoRecord, ...]) -> datetime | None:
    taken = []
    for photo in photos:
        try:
            moment = read_facts(folder / photo.file).taken
        except PhotoError:
            continue
        if moment is not None:
            taken.append(moment)
    return max(taken, default=None)
