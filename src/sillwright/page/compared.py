"""Two surveys of one job beside each other: what may be chosen, which came first, and the photos of each."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from urllib.parse import quote

from sillwright.archive.opened import open_package
from sillwright.archive.package import lot_in, read_record
from sillwright.page.folder import JobFolder, job_named, jobs_in
from sillwright.page.looks import picture_path
from sillwright.page.measured import changed_since, measured
from sillwright.page.packages import package_folder, sealed_survey
from sillwright.page.refusal import Refusal
from sillwright.page.sealed_search import of_one_job
from sillwright.page.store import Store
from sillwright.survey import Survey

_SEALED, _NOW = "sealed:", "now:"


@dataclass(frozen=True)
class Choice:
    """Something to compare a package with. ``key`` stands in the address; ``day`` is empty for what is measured now."""

    key: str
    name: str
    day: str


@dataclass(frozen=True)
class Side:
    """One of the two. ``photos`` : the address of a picture of each photo, by its name in the record.

    day : of a package; empty for what is measured now
    changed : that photos or job file are not those it was measured from
    """

    name: str
    day: str
    survey: Survey
    photos: Mapping[str, str]
    changed: bool = False


def choices(store: Store, name: str, job: str, lot: str) -> tuple[Choice, ...]:
    """What a package can be compared with: what is measured of its job now, and its job's other packages."""
    now = [Choice(f"{_NOW}{one.name}", one.title, "") for one in jobs_in(store.folder) if _is_of(one, job, lot)]
    sealed = [one for one in of_one_job(store.folder, job, lot) if one.name != name]
    return (*now, *(Choice(f"{_SEALED}{one.name}", one.name, one.day) for one in sealed))


def both_sides(store: Store, name: str, key: str) -> tuple[Side, Side]:
    """A package and what it is compared with, the earlier one first.

    Raises Refusal where one of them is not there, and an error of this package where it cannot be read.
    """
    when, one = _sealed(store, name)
    if key.startswith(_NOW):
        return one, _measured_now(store, job_named(store.folder, key.removeprefix(_NOW)))
    if not key.startswith(_SEALED) or key.removeprefix(_SEALED) == name:
        raise Refusal(404, "no_package")
    other_when, other = _sealed(store, key.removeprefix(_SEALED))
    return (one, other) if when <= other_when else (other, one)


def _is_of(job: JobFolder, name: str, lot: str) -> bool:
    if not (job.out / "survey.json").exists():
        return False
    return job.title.casefold() == name.casefold() or (lot != "" and lot_in(job.title).casefold() == lot.casefold())


def _sealed(store: Store, name: str) -> tuple[tuple[str, str, int, str], Side]:
    """A package, and by what it comes before or after another."""
    _, place = package_folder(store.folder, name)
    opened = open_package(place)
    record, survey = read_record(opened.whole("data/package.json").parents[1]), sealed_survey(opened)
    photos = {
        photo.file: f"/as-built/{quote(name)}/photos/{number}.jpg"
        for number, photo in enumerate(survey.photos, start=1)
    }
    # Of two sealed in one second the later has a number behind its name, so a longer one.
    return (record.day, record.sealed_at, len(name), name), Side(name, record.day, survey, photos)


def _measured_now(store: Store, job: JobFolder) -> Side:
    survey = measured(job)
    photos = {
        photo.file: f"/pictures/{photo.sha256}.jpg"
        for photo in survey.photos
        if photo.sha256 and picture_path(store, photo.sha256).is_file()
    }
    return Side(job.title, "", survey, photos, changed_since(store, job, survey))


def folder_words(folder: Path, fault: Exception) -> str:
    """What is wrong, with files named from FOLDER: phones need not know where that lies."""
    return str(fault).replace(f"{folder}/", "")
