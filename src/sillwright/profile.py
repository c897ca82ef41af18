"""The phone profile: one lens of one phone as calibrated, kept as a JSON file beside the jobs that use it.

Also the lens to start from where there is no profile.
"""

from __future__ import annotations

import json
from dataclasses import dataclass
from datetime import date
from pathlib import Path
from typing import Literal, Self

import numpy as np
from pydantic import BaseModel, ConfigDict, Field, ValidationError, model_validator

from sillwright.camera import INTRINSIC_NAMES, Array, Camera
from sillwright.errors import JobError
from sillwright.whole_file import write_aside

MAX_FILE_BYTES = 1_000_000
SAME_ASPECT = 0.01
SAME_FOCAL_35MM = 0.06  # the EXIF value is a whole number, so one step at 18 mm is still the same lens

# Without a profile. EXIF's 35 mm value goes by the diagonal (CIPA DC-008, FocalLengthIn35mmFilm) of a 36 x 24 mm
# frame and is a whole number: good to a few per cent (the two rendered phones are 4 and 5 % off it). Without it,
# 1.2 x the longer side, as public photogrammetry packages start. Distortion: wider than the lenses of phones
# usually show, common practice, no source.
FRAME_DIAGONAL_MM = 43.2666
FOCAL_35MM_RANGE = (10.0, 200.0)
EXIF_FOCAL_SIGMA = 0.04
NO_EXIF_FOCAL_SIGMA = 0.15
NO_EXIF_FOCAL_OF_LONG_SIDE = 1.2
CENTRE_SIGMA_OF_WIDTH = 0.01
DISTORTION_SIGMA = (0.1, 0.15, 0.001, 0.001, 0.05)


@dataclass(frozen=True)
class Lens:
    """A camera at one picture size with the (9, 9) covariance of its numbers, in the order of INTRINSIC_NAMES."""

    camera: Camera
    covariance: Array

    @property
    def sigma(self) -> Array:
        """Standard deviations, shape (9,)."""
        return np.sqrt(np.diag(self.covariance))

    def scaled(self, width_px: int, height_px: int) -> Lens:
        """The same lens at another picture size of the same aspect."""
        sx, sy = width_px / self.camera.width_px, height_px / self.camera.height_px
        by = np.array([sx, sy, sx, sy, 1.0, 1.0, 1.0, 1.0, 1.0])
        return Lens(self.camera.scaled(width_px, height_px), self.covariance * np.outer(by, by))

    def turned_clockwise(self) -> Lens:
        """The same lens for pictures whose stored pixels were turned 90 degrees clockwise."""
        source = [1, 0, 3, 2, 4, 5, 7, 6, 8]
        sign = np.array([1.0, 1.0, -1.0, 1.0, 1.0, 1.0, 1.0, -1.0, 1.0])
        return Lens(self.camera.turned_clockwise(), self.covariance[np.ix_(source, source)] * np.outer(sign, sign))

    def turned_half(self) -> Lens:
        """The same lens for pictures whose stored pixels were turned half round."""
        return self.turned_clockwise().turned_clockwise()


class LensNumbers(BaseModel):
    """The nine numbers: OpenCV's model at the profile's picture size."""

    model_config = ConfigDict(frozen=True, allow_inf_nan=False)

    fx: float = Field(gt=0.0)
    fy: float = Field(gt=0.0)
    cx: float
    cy: float
    k1: float
    k2: float
    p1: float
    p2: float
    k3: float


class Profile(BaseModel):
    """One lens of one phone, as calibrated."""

    model_config = ConfigDict(frozen=True, allow_inf_nan=False)

    format: Literal[1] = 1
    make: str = ""
    model: str = ""
    focal_35mm: float | None = Field(default=None, gt=0.0)
    width_px: int = Field(ge=16, le=20_000)
    height_px: int = Field(ge=16, le=20_000)
    lens: LensNumbers
    covariance: tuple[tuple[float, ...], ...]
    rms_px: float = Field(ge=0.0)
    photos: tuple[str, ...]
    made: date
    board: str

    @model_validator(mode="after")
    def _covariance_is_one(self) -> Self:
        if len(self.covariance) != 9 or any(len(row) != 9 for row in self.covariance):
            raise ValueError("covariance must be 9 rows of 9 numbers")
        matrix = np.array(self.covariance)
        sigma = np.sqrt(np.maximum(np.diag(matrix), 0.0))
        if not np.all(sigma[:4] > 0.0):
            raise ValueError("covariance must give fx, fy, cx and cy a spread above zero")
        unit = np.where(sigma > 0.0, sigma, 1.0)
        correlation = matrix / np.outer(unit, unit)
        if not np.allclose(correlation, correlation.T, atol=1e-6) or np.min(np.linalg.eigvalsh(correlation)) < -1e-6:
            raise ValueError("covariance must be symmetric and not negative")
        return self

    @property
    def calibrated(self) -> Lens:
        """The lens at the size it was calibrated at."""
        numbers = np.array([getattr(self.lens, name) for name in INTRINSIC_NAMES])
        blank = Camera(self.width_px, self.height_px, 1.0, 1.0, 0.0, 0.0)
        return Lens(blank.with_parameters(numbers), np.array(self.covariance))

    def lens_of(self, width_px: int, height_px: int, focal_35mm: float | None = None) -> Lens:
        """The lens for a picture of this stored size, turned clockwise where the picture stands the other way.

        Phones store the sensor's rows as they are, but programs that photos pass through may turn them. No tag tells
        how; whether a picture was turned half round from what is given here, only what it shows can tell.
        ``focal_35mm`` is the photo's EXIF value where it has one.

        Raises JobError where the picture was cropped or zoomed.
        """
        made_at = f"{self.width_px} x {self.height_px} pixels"
        if focal_35mm and self.focal_35mm and abs(focal_35mm / self.focal_35mm - 1.0) > SAME_FOCAL_35MM:
            raise JobError(
                f"This photo was zoomed or taken with another lens ({focal_35mm:g} mm); the phone profile was made at "
                f"{self.focal_35mm:g} mm. Shoot with the same lens and no zoom, or calibrate this lens too."
            )
        if self.stands_like(width_px, height_px):
            return self.calibrated.scaled(width_px, height_px)
        if self.stands_like(height_px, width_px):
            return self.calibrated.scaled(height_px, width_px).turned_clockwise()
        raise JobError(
            f"This photo is {width_px} x {height_px} pixels, so it was cropped or zoomed; the phone profile was made "
            f"at {made_at}. Use the photo as the phone stored it, or calibrate at this picture shape."
        )

    def stands_like(self, width_px: int, height_px: int) -> bool:
        """Whether a picture of this stored size has the shape of those the profile was made from."""
        return abs(width_px / height_px * self.height_px / self.width_px - 1.0) < SAME_ASPECT


def make_profile(
    lens: Lens,
    *,
    make: str,
    model: str,
    focal_35mm: float | None,
    rms_px: float,
    photos: tuple[str, ...],
    made: date,
    board: str,
) -> Profile:
    """A profile from a calibrated lens."""
    return Profile(
        make=make,
        model=model,
        focal_35mm=focal_35mm,
        width_px=lens.camera.width_px,
        height_px=lens.camera.height_px,
        lens=LensNumbers(**{name: getattr(lens.camera, name) for name in INTRINSIC_NAMES}),
        covariance=tuple(tuple(float(value) for value in row) for row in lens.covariance),
        rms_px=rms_px,
        photos=photos,
        made=made,
        board=board,
    )


def read_profile(path: Path) -> Profile:
    """Read a phone profile. Raises JobError where it is missing or is not one."""
    try:
        if path.stat().st_size > MAX_FILE_BYTES:
            raise JobError(f"{path} is too large to be a phone profile. Make one with calibrate.")
        return Profile.model_validate_json(path.read_bytes())
    except OSError as fault:
        raise JobError(
            f"The phone profile {path} cannot be read ({fault.strerror or fault}). Make one with calibrate, or "
            "take the profile out of the job file."
        ) from fault
    except ValidationError as fault:
        first = fault.errors()[0]
        where = ".".join(str(part) for part in first["loc"]) or "the file"
        raise JobError(
            f"{path} is not a phone profile this version can read ({where}: {first['msg']}). "
            "Make it again with calibrate."
        ) from fault


def write_profile(profile: Profile, path: Path) -> None:
    """Write a phone profile whole or not at all."""
    body = json.dumps(profile.model_dump(mode="json"), indent=1, ensure_ascii=False)
    write_aside(path, body.encode() + b"\n")


def prior_camera(width_px: int, height_px: int, focal_35mm: float | None = None) -> tuple[Camera, Array]:
    """A lens to start from without a profile, and the standard deviation of its nine numbers, shape (9,).

    ``focal_35mm`` is EXIF's 35 mm equivalent; values outside 10 to 200 mm are nonsense some programs write, and are
    not used.
    """
    longer = float(max(width_px, height_px))
    if focal_35mm is not None and FOCAL_35MM_RANGE[0] <= focal_35mm <= FOCAL_35MM_RANGE[1]:
        focal, share = focal_35mm * float(np.hypot(width_px, height_px)) / FRAME_DIAGONAL_MM, EXIF_FOCAL_SIGMA
    else:
        focal, share = NO_EXIF_FOCAL_OF_LONG_SIDE * longer, NO_EXIF_FOCAL_SIGMA
    camera = Camera(width_px, height_px, focal, focal, (width_px - 1) / 2.0, (height_px - 1) / 2.0)
    centre = CENTRE_SIGMA_OF_WIDTH * longer
    return camera, np.array([share * focal, share * focal, centre, centre, *DISTORTION_SIGMA])
