"""What a first look said of each photo, and its small picture; both kept by the photo's SHA-256.

What is said also depends on the job (its cards, bolts and profile) and on the run, so the verdict is kept by a
fingerprint of those too: the same photo is not looked at twice for the same question.
"""

from __future__ import annotations

import hashlib
import json
from dataclasses import asdict, dataclass
from pathlib import Path

from sillwright.errors import PhotoError
from sillwright.job import load_job
from sillwright.job_measured import measured_parts
from sillwright.measure.glance import Glance, glance
from sillwright.page.folder import JobFolder, Place, photos_of
from sillwright.page.store import Store, reading
from sillwright.photo import fitted, read_facts, read_half, turn_for_viewing
from sillwright.survey import STATUS_ORDER, Finding
from sillwright.tell.report import jpeg
from sillwright.whole_file import write_aside

PICTURE_PX = 560  # the long side: as wide as a phone's column at 1.5 pixels to the point
_QUALITY = 72


@dataclass(frozen=True)
class PhotoLook:
    """A photo of a run, and what a first look said; None where it has not been looked at."""

    file: str
    sha256: str | None
    look: Glance | None


def looks_of(store: Store, job: JobFolder, place: Place) -> tuple[PhotoLook, ...]:
    """Every photo of a run or corner with what is known of it. No photo is opened."""
    photos, root = photos_of(job, place), job.path.resolve()
    known = _known_files(store, job)
    with reading(store) as connection:
        rows = connection.execute("SELECT * FROM look WHERE asked = ?", (_asked(job, place),)).fetchall()
    looks = {str(row["sha256"]): _look(row["status"], row["reasons"], row["cards"]) for row in rows}
    found = []
    for photo in photos:
        sha256 = known.get(_as_written(store, photo))
        look = None if sha256 is None else looks.get(sha256)
        found.append(PhotoLook(photo.relative_to(root).as_posix(), sha256, look))
    return tuple(found)


def look_at(store: Store, job: JobFolder, place: Place, photo: Path) -> Glance:
    """Look at one photo and keep what was seen, unless that is known. Raises JobError where the job cannot be read."""
    sha256 = sha256_of(store, photo)
    asked = _asked(job, place)
    with reading(store) as connection:
        kept = connection.execute("SELECT * FROM look WHERE sha256 = ? AND asked = ?", (sha256, asked)).fetchone()
    if kept is not None:
        return _look(kept["status"], kept["reasons"], kept["cards"])
    seen = glance(load_job(job.job_file, only_with_photos=True), place.runs, photo)
    _keep_picture(store, photo, sha256)
    with reading(store) as connection:
        connection.execute(
            "INSERT OR REPLACE INTO look VALUES (?, ?, ?, ?, ?)",
            (
                sha256,
                asked,
                seen.status,
                json.dumps([asdict(reason) for reason in seen.reasons]),
                json.dumps(seen.cards),
            ),
        )
    return seen


def sha256_of(store: Store, photo: Path) -> str:
    """A photo file's SHA-256, read once for each size and time of writing."""
    path, size, written_ns = _as_written(store, photo)
    with reading(store) as connection:
        row = connection.execute(
            "SELECT sha256 FROM photo_file WHERE path = ? AND size = ? AND written_ns = ?", (path, size, written_ns)
        ).fetchone()
        if row is not None:
            return str(row["sha256"])
        with photo.open("rb") as stream:
            sha256 = hashlib.file_digest(stream, "sha256").hexdigest()
        connection.execute("INSERT OR REPLACE INTO photo_file VALUES (?, ?, ?, ?)", (path, size, written_ns, sha256))
    return sha256


def sha256_of_all(store: Store, job: JobFolder) -> dict[str, str]:
    """The SHA-256 of every photo of a job, by its name relative to the job's folder."""
    known = _known_files(store, job)
    photos = {photo: None for place in job.places for photo in photos_of(job, place)}
    root = job.path.resolve()
    return {
        photo.relative_to(root).as_posix(): known.get(_as_written(store, photo)) or sha256_of(store, photo)
        for photo in photos
    }


def picture_path(store: Store, sha256: str) -> Path:
    """Where the small picture of a photo is kept; ``sha256`` is 64 hex digits."""
    return store.pictures / f"{sha256}.jpg"


def _keep_picture(store: Store, photo: Path, sha256: str) -> None:
    """A small picture as the photo is to be viewed, without EXIF; none of a photo that cannot be read."""
    try:
        pixels = turn_for_viewing(read_half(photo, keep=True), read_facts(photo).orientation)
    except PhotoError:
        return
    write_aside(picture_path(store, sha256), jpeg(fitted(pixels, PICTURE_PX), _QUALITY))


def _asked(job: JobFolder, place: Place) -> str:
    """The fingerprint of what a photo of that place is looked at for."""
    parts = measured_parts(job.table, None) if job.table is not None else {}
    wanted = {key: part for key, part in parts.items() if not key.startswith("[[corner]]")}
    return hashlib.sha256(json.dumps([wanted, place.runs], sort_keys=True).encode()).hexdigest()[:24]


def _look(status: str, reasons: str, cards: str) -> Glance:
    findings = tuple(
        Finding(one["code"], tuple(one["photos"]), tuple(one["cards"]), one["value_mm"]) for one in json.loads(reasons)
    )
    known = next(one for one in STATUS_ORDER if one == status)
    return Glance(known, findings, tuple(json.loads(cards)))


_AsWritten = tuple[str, int, int]
"""A file by its path relative to FOLDER, its size in bytes, and when it was written, in ns."""


def _as_written(store: Store, photo: Path) -> _AsWritten:
    written = photo.stat()
    return photo.relative_to(store.folder).as_posix(), written.st_size, written.st_mtime_ns


def _known_files(store: Store, job: JobFolder) -> dict[_AsWritten, str]:
    """The SHA-256 of each file of a job that was read before."""
    with reading(store) as connection:
        rows = connection.execute(
            "SELECT * FROM photo_file WHERE substr(path, 1, ?) = ?", (len(job.name) + 1, f"{job.name}/")
        ).fetchall()
    return {(row["path"], row["size"], row["written_ns"]): row["sha256"] for row in rows}
