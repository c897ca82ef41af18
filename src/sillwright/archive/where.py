"""Where each sealed photo was taken, and with which camera: read from the originals, and only when somebody asks.

Nothing else keeps it: the record, sheets, pictures, thumbnails and the catalogue are made from pixels and numbers.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path, PurePosixPath
from typing import Any

from PIL.ExifTags import GPS, IFD, Base

from sillwright.archive.opened import open_package
from sillwright.archive.package import RESULTS, read_record
from sillwright.errors import DamageError, PhotoError
from sillwright.photo import read_exif, read_facts
from sillwright.survey_file import read_survey

_LONGEST_SERIAL = 100  # letters


@dataclass(frozen=True)
class PhotoPlace:
    """What a photo's EXIF says; None and empty where it says nothing. Degrees, south and west negative (WGS 84).

    taken : by the camera's own clock, as ISO 8601 writes it
    """

    package: str
    file: str
    taken: str
    latitude_deg: float | None
    longitude_deg: float | None
    body_serial: str
    lens_serial: str


@dataclass(frozen=True)
class Unread:
    """A photo that was measured, and is not there to be read."""

    package: str
    file: str


def photo_places(package: Path) -> Iterator[PhotoPlace | Unread]:
    """Every photo of a package; those that can no longer be read as they were measured, as such.

    A photo that could not be read when it was measured is left out. Raises DamageError where the package cannot be
    read or is made to do harm to who reads it, JobError where its survey.json cannot.
    """
    opened = open_package(package)
    folder = PurePosixPath("data", read_record(package).job_file).parent
    for photo in read_survey(opened.whole(f"data/{RESULTS}/survey.json")).photos:
        try:
            path = opened.whole(str(folder / photo.file))
            taken, exif = read_facts(path).taken, read_exif(path)
        except (PhotoError, DamageError, OSError):
            if photo.sha256:
                yield Unread(package.name, photo.file)
            continue
        place, lens = exif.get_ifd(IFD.GPSInfo), exif.get_ifd(IFD.Exif)
        yield PhotoPlace(
            package.name,
            photo.file,
            "" if taken is None else taken.isoformat(),
            _degrees(place.get(GPS.GPSLatitude), place.get(GPS.GPSLatitudeRef), "S", 90.0),
            _degrees(place.get(GPS.GPSLongitude), place.get(GPS.GPSLongitudeRef), "W", 180.0),
            _serial(lens.get(Base.BodySerialNumber)),
            _serial(lens.get(Base.LensSerialNumber)),
        )


def _degrees(parts: Any, side: Any, negative: str, most: float) -> float | None:
    """Degrees, minutes and seconds (EXIF 2.32, 4.6.6) as degrees; None where they are no place on Earth."""
    try:
        degrees, minutes, seconds = (float(part) for part in parts)
    except (TypeError, ValueError, ZeroDivisionError):
        return None
    size = degrees + minutes / 60.0 + seconds / 3600.0
    if not math.isfinite(size) or not 0.0 <= size <= most:
        return None
    return -size if str(side).strip().upper().startswith(negative) else size


def _serial(value: Any) -> str:
    return "".join(letter for letter in str(value or "") if letter.isprintable())[:_LONGEST_SERIAL].strip()
