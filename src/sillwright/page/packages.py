"""One sealed package as the quality checker looks at it: what it says of itself, its bolts, photos and sheets.

Nothing of a package is used before its names were looked at, and each file is held against its checksum as it is read.
"""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path, PurePosixPath

from sillwright.archive.audit import Audit, audit_package
from sillwright.archive.catalogue import catalogue, refresh
from sillwright.archive.opened import OpenedPackage, open_package
from sillwright.archive.package import RECORD, RESULTS, PackageRecord, is_name, read_record
from sillwright.archive.search import thumbnail, thumbnails
from sillwright.archive.store import Store, open_store
from sillwright.decisions import DECISIONS_FILE, Decisions, read_decisions
from sillwright.judge.clearance import clearance
from sillwright.judge.verdicts import Check
from sillwright.page.folder import AS_BUILT
from sillwright.page.foreman_lines import BoltLine, bolt_lines
from sillwright.page.pictures import smaller
from sillwright.page.planned import MEDIA_TYPES
from sillwright.page.refusal import Refusal
from sillwright.plates.record import PlatesPlan
from sillwright.plates.record_file import read_plan
from sillwright.survey import RunRecord, Survey
from sillwright.survey_file import read_survey

PHOTO_PX = 2000  # the longer side of a photo that is opened: a bolt can be told from its shadow
PICTURE_PX = 4000  # of the pictures of the report: a run's is long
_KINDS = {**MEDIA_TYPES, ".jpg": "image/jpeg", ".json": "application/octet-stream", ".toml": "application/octet-stream"}
_SHEETS_FIRST = (".html", ".pdf", ".csv", ".dxf", ".json", ".toml")


@dataclass(frozen=True)
class SealedRun:
    """One run of a package with its bolts; ``cleared`` as it stood when it was sealed."""

    run: RunRecord
    lines: tuple[BoltLine, ...]
    cleared: bool


@dataclass(frozen=True)
class SealedPhoto:
    """One photo by its place in the record; ``has_picture`` where the catalogue has a small picture of it."""

    number: int
    file: str
    has_picture: bool


@dataclass(frozen=True)
class SealedFile:
    """A file of the results as it was sealed. ``content`` is what a browser gets."""

    name: str
    content: bytes
    media_type: str


@dataclass(frozen=True)
class Package:
    """One package opened. ``sheets`` are the names of what else was sealed with the numbers, under the results."""

    name: str
    record: PackageRecord
    survey: Survey
    decisions: Decisions
    runs: tuple[SealedRun, ...]
    photos: tuple[SealedPhoto, ...]
    sheets: tuple[str, ...]
    rules: str


def package_folder(folder: Path, name: str) -> tuple[Store, Path]:
    """The store and the folder of a package that is there. Raises Refusal where there is none of that name."""
    if not (folder / AS_BUILT).exists() or not is_name(name):
        raise Refusal(404, "no_package")
    store = open_store(folder / AS_BUILT)
    if name not in store.names():
        raise Refusal(404, "no_package")
    return store, store.package(name)


def read_package(folder: Path, name: str) -> Package:
    """A package with all that its page shows.

    Raises Refusal where there is none of that name, and an error of this package where it cannot be read, was changed,
    or is made to do harm.
    """
    store, place = package_folder(folder, name)
    opened = open_package(place)
    record, survey = _record(opened), sealed_survey(opened)
    plan, decisions = _plan(opened), _decisions(opened)
    with catalogue(store) as connection:
        refresh(connection, store)
        pictures = thumbnails(connection, name)
    return Package(
        name,
        record,
        survey,
        decisions,
        tuple(_run(survey, run, decisions, plan) for run in survey.runs),
        tuple(
            SealedPhoto(number, photo.file, photo.file in pictures)
            for number, photo in enumerate(survey.photos, start=1)
        ),
        _sheets(opened),
        "" if plan is None else plan.rules.name,
    )


def sealed_survey(opened: OpenedPackage) -> Survey:
    """The record in a package, as it was sealed."""
    return read_survey(opened.whole(f"data/{RESULTS}/survey.json"))


def small_picture(folder: Path, name: str, number: int) -> bytes:
    """The small picture of a photo, out of the catalogue. Raises Refusal where there is none."""
    store, place = package_folder(folder, name)
    file = _photo(sealed_survey(open_package(place)), number)
    with catalogue(store) as connection:
        picture = thumbnail(connection, name, file)
    if picture is None:
        raise Refusal(404, "no_picture")
    return picture


def large_picture(folder: Path, name: str, number: int) -> bytes:
    """A photo of a package, made smaller and without EXIF.

    Raises Refusal where there is none, DamageError or PhotoError where it is not as it was sealed or cannot be read.
    """
    _, place = package_folder(folder, name)
    opened = open_package(place)
    file = _photo(sealed_survey(opened), number)
    job = PurePosixPath(_record(opened).job_file).parent
    return smaller(opened.whole(str(PurePosixPath("data", job, file))), PHOTO_PX)


def sealed_file(folder: Path, name: str, file: str) -> SealedFile:
    """One sheet, table or picture of a package's results, as it was sealed; ``file`` is held against the names that the
    package has. Raises as :func:`large_picture`."""
    _, place = package_folder(folder, name)
    opened = open_package(place)
    known = next((one for one in _results(opened) if one == file), None)
    if known is None:
        raise Refusal(404, "no_sealed_file")
    path = opened.whole(f"data/{RESULTS}/{known}")
    kind = PurePosixPath(known).suffix.lower()
    return SealedFile(known, smaller(path, PICTURE_PX) if kind == ".jpg" else path.read_bytes(), _KINDS[kind])


def audit_one(folder: Path, name: str) -> Audit:
    """Read every byte of one package again. Raises Refusal where there is none of that name."""
    store, _ = package_folder(folder, name)
    return audit_package(store, name)


def _record(opened: OpenedPackage) -> PackageRecord:
    opened.whole(f"data/{RECORD}")
    return read_record(opened.folder)


def _plan(opened: OpenedPackage) -> PlatesPlan | None:
    inside = f"data/{RESULTS}/plates.json"
    return read_plan(opened.whole(inside)) if opened.holds(inside) else None


def _decisions(opened: OpenedPackage) -> Decisions:
    inside = f"data/{RESULTS}/{DECISIONS_FILE}"
    return read_decisions(opened.whole(inside).parent) if opened.holds(inside) else Decisions()


def _run(survey: Survey, run: RunRecord, decisions: Decisions, plan: PlatesPlan | None) -> SealedRun:
    found = clearance(run, decisions)
    return SealedRun(run, bolt_lines(survey, run, found, decisions, _checks(plan, run)), found.cleared)


def _checks(plan: PlatesPlan | None, run: RunRecord) -> dict[str, tuple[Check, ...]] | None:
    if plan is None:
        return None
    return {bolt.mark: bolt.checks for one in plan.runs if one.name == run.name for bolt in one.bolts}


def _photo(survey: Survey, number: int) -> str:
    if not 1 <= number <= len(survey.photos):
        raise Refusal(404, "no_picture")
    return survey.photos[number - 1].file


def _results(opened: OpenedPackage) -> tuple[str, ...]:
    """What may be asked for of the results, by its path in them."""
    head = f"data/{RESULTS}/"
    names = (path.removeprefix(head) for path in opened.listed if path.startswith(head))
    return tuple(sorted(name for name in names if PurePosixPath(name).suffix.lower() in _KINDS))


def _sheets(opened: OpenedPackage) -> tuple[str, ...]:
    """Those that are listed: what is read first comes first. Pictures are seen in the report."""
    listed = [name for name in _results(opened) if PurePosixPath(name).suffix.lower() in _SHEETS_FIRST]
    return tuple(sorted(listed, key=lambda name: (_SHEETS_FIRST.index(PurePosixPath(name).suffix.lower()), name)))
