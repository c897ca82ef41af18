"""One package read into the rows of the catalogue. Everything comes from the package alone."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from hashlib import sha256
from pathlib import Path, PurePosixPath

import cv2

from sillwright.archive.log import TAG_MANIFESTS
from sillwright.archive.opened import OpenedPackage, open_package
from sillwright.archive.package import RECORD, RESULTS, PackageRecord, read_inside, read_record
from sillwright.errors import DamageError, JobError, PhotoError
from sillwright.judge.verdicts import Check
from sillwright.photo import fitted, read_facts, read_half, turn_for_viewing
from sillwright.plates.record import PlatesPlan
from sillwright.plates.record_file import read_plan
from sillwright.survey import BoltRecord, Survey, worst
from sillwright.survey_file import read_survey

THUMBNAIL_PX = 160  # the longer side
_QUALITY = 70
Value = str | float | int | bytes | None
Row = tuple[Value, ...]


@dataclass(frozen=True)
class PackageRows:
    """The rows of one package, without its number: of each table in the order of its columns."""

    package: Row
    runs: tuple[Row, ...]
    bolts: tuple[Row, ...]
    broken: tuple[Row, ...]
    reasons: tuple[Row, ...]
    thumbnails: tuple[Row, ...]


def read_rows(package: Path) -> PackageRows:
    """Read a package. Raises DamageError where it cannot be read, or is made to do harm to who reads it."""
    try:
        opened = open_package(package)
        opened.whole(f"data/{RECORD}")
        record = read_record(package)
        survey = read_survey(opened.whole(f"data/{RESULTS}/survey.json"))
        digest = sha256(read_inside(package, TAG_MANIFESTS[0])).hexdigest()
        plan = _plan(opened)
    except (JobError, OSError, RecursionError) as fault:
        raise DamageError(f"{package.name} cannot be read into the catalogue: {fault}") from fault
    return rows_of(package.name, digest, record, survey, plan, tuple(_thumbnails(opened, record, survey)))


def rows_of(
    name: str,
    digest: str,
    record: PackageRecord,
    survey: Survey,
    plan: PlatesPlan | None = None,
    thumbnails: tuple[Row, ...] = (),
) -> PackageRows:
    """The rows of a package by what is in it."""
    bolts = [(run, bolt) for run in survey.runs for bolt in run.bolts]
    places = {(run.name, bolt.mark): place for place, (run, bolt) in enumerate(bolts)}
    broken = tuple(_broken(plan, places)) if plan is not None else ()
    package: Row = (
        name,
        digest,
        record.job,
        record.job.casefold(),
        record.lot,
        record.lot.casefold(),
        record.day,
        record.sealed_at,
        record.signed_off.by if record.signed_off else None,
        worst(*(run.status for run in survey.runs), *(corner.status for corner in survey.corners)),
        len(survey.photos),
        len(bolts),
        *_counts([bolt for _, bolt in bolts]),
        *_most([bolt for _, bolt in bolts]),
        len(broken),
        int(plan is not None),
    )
    rows = tuple(
        (
            place,
            run.name,
            run.name.casefold(),
            bolt.mark,
            bolt.station_mm,
            bolt.setback_mm,
            bolt.u95.setback_mm,
            bolt.lean_deg,
            bolt.u95.lean_deg,
            bolt.stickup_mm,
            bolt.diameter_mm,
            bolt.status,
        )
        for place, (run, bolt) in enumerate(bolts)
    )
    return PackageRows(package, tuple(_runs(survey)), rows, broken, tuple(dict.fromkeys(_reasons(survey))), thumbnails)


def _runs(survey: Survey) -> Iterator[Row]:
    """Each name of a run that has bolts, large letters or small, with what a search passes over by."""
    by_name: dict[str, list[BoltRecord]] = {}
    for run in survey.runs:
        if run.bolts:
            by_name.setdefault(run.name.casefold(), []).extend(run.bolts)
    for name, bolts in by_name.items():
        yield name, *_counts(bolts), *_most(bolts)


def _counts(bolts: Sequence[BoltRecord]) -> tuple[int, int, int]:
    """How many bolts are ok, to check and to shoot again."""
    statuses = [bolt.status for bolt in bolts]
    return statuses.count("ok"), statuses.count("check"), statuses.count("reshoot")


def _most(bolts: Sequence[BoltRecord]) -> tuple[float | None, float | None]:
    """The most setback, in mm, and the most lean, in degrees, that one of them has."""
    return (
        max((bolt.setback_mm for bolt in bolts if bolt.setback_mm is not None), default=None),
        max((bolt.lean_deg for bolt in bolts if bolt.lean_deg is not None), default=None),
    )


def _plan(opened: OpenedPackage) -> PlatesPlan | None:
    inside = f"data/{RESULTS}/plates.json"
    return read_plan(opened.whole(inside)) if opened.holds(inside) else None


def _broken(plan: PlatesPlan, places: Mapping[tuple[str, str], int]) -> Iterator[Row]:
    """Every check that is not met, each once; ``places`` are the bolts', by run and mark."""
    checks: list[tuple[str, Check]] = []
    for run in plan.runs:
        of_run = [*(check for bolt in run.bolts for check in bolt.checks), *run.overhang]
        of_run += [check for piece in run.pieces for check in piece.checks]
        checks += [(run.name, check) for check in dict.fromkeys(of_run) if check.verdict == "does not"]
    for place, (name, check) in enumerate(checks):
        source = " ".join(part for part in (check.source.standard, check.source.edition, check.source.section) if part)
        yield (
            place,
            name,
            name.casefold(),
            check.subject,
            places.get((name, check.subject)),
            check.key,
            source,
            check.measured_mm,
            check.limit_mm,
        )


def _reasons(survey: Survey) -> Iterator[Row]:
    for run in survey.runs:
        yield from ((run.name, "", finding.code) for finding in run.reasons)
        for bolt in run.bolts:
            yield from ((run.name, bolt.mark, finding.code) for finding in bolt.reasons)


def _thumbnails(opened: OpenedPackage, record: PackageRecord, survey: Survey) -> Iterator[Row]:
    """A small picture of each photo, the way up it is viewed; of its file nothing but pixels goes into it.

    One that is not as it was sealed has none: the audit tells of it.
    """
    folder = PurePosixPath("data", record.job_file).parent
    for photo in survey.photos:
        try:
            path = opened.whole(str(folder / photo.file))
            pixels = turn_for_viewing(read_half(path), read_facts(path).orientation)
        except (PhotoError, DamageError, OSError):
            continue
        done, coded = cv2.imencode(".jpg", fitted(pixels, THUMBNAIL_PX), [cv2.IMWRITE_JPEG_QUALITY, _QUALITY])
        if done:
            yield photo.file, coded.tobytes()
