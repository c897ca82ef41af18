"""Whether a set of calibration photos can be trusted to give the lens, and what to shoot where it cannot."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence

import numpy as np

from sillwright.camera import Array
from sillwright.errors import CalibrationError
from sillwright.photo import PhotoFacts
from sillwright.solve.calibrate import Calibration

# Limits: common practice in plane calibration, no source, set below what the two rendered 12-photo sets reach
# (tilts spread over 60 degrees, distances 1 : 1.8, 71 % of the frame covered, sigma of f 0.013 %).
MIN_PHOTOS = 6
MIN_TILT_SPREAD_DEG = 10.0
MIN_DISTANCE_RATIO = 1.2
MIN_COVERED = 0.5
MAX_FOCAL_SIGMA = 0.005
MAX_RMS_PX_AT_4000 = 2.0
MAX_STRETCH = 0.005  # phone pixels are square; unequal fx and fy mean a print stretched one way
BAD_PHOTO_TIMES_MEDIAN = 3.0

HOW_TO_SHOOT = (
    "Shoot 12 to 15 photos of the flat sheet: some where it fills the picture, some where it takes up half, most with "
    "the phone tilted 20 to 40 degrees, each to another side, and bring the sheet into every corner of the picture."
)


def check_one_lens(photos: Sequence[PhotoFacts]) -> None:
    """Raise CalibrationError unless all photos come from one lens of one phone at one size."""
    for what, kinds in (
        ("size", [f"{photo.width_px} x {photo.height_px} pixels" for photo in photos]),
        ("phone", [f"{photo.make} {photo.model}".strip() or "no phone named" for photo in photos]),
        ("lens", [_focal_words(photo) for photo in photos]),
        ("digital zoom", [f"{photo.digital_zoom or 1.0:g} x" for photo in photos]),
    ):
        usual = Counter(kinds).most_common(1)[0][0]
        odd = [(photo.path.name, kind) for photo, kind in zip(photos, kinds, strict=True) if kind != usual]
        if odd:
            more = f", and {len(odd) - 1} more differ" if len(odd) > 1 else ""
            raise CalibrationError(
                f"The photos differ in {what}: most have {usual}, but {odd[0][0]} has {odd[0][1]}{more}. "
                "Use one phone, one lens and no zoom, and leave the odd ones out."
            )


def _focal_words(photo: PhotoFacts) -> str:
    focal_mm = photo.focal_35mm or photo.focal_mm
    return f"{focal_mm:g} mm" if focal_mm else "no focal length"


def check_photo_count(usable: int) -> None:
    """Raise CalibrationError where too few photos show the sheet."""
    if usable < MIN_PHOTOS:
        raise CalibrationError(
            f"Only {usable} usable photo{'' if usable == 1 else 's'} of the sheet; at least {MIN_PHOTOS} are needed. "
            + HOW_TO_SHOOT
        )


def misfits(calibration: Calibration) -> list[str]:
    """Names of photos that fit three times worse than the middle one: blurred, or the sheet was lifted."""
    middle = float(np.median([view.rms_px for view in calibration.views]))
    return [view.name for view in calibration.views if view.rms_px > BAD_PHOTO_TIMES_MEDIAN * middle]


def check_determined(calibration: Calibration) -> None:
    """Raise CalibrationError, with what to shoot, unless the photos determine the lens."""
    camera, views = calibration.camera, calibration.views
    check_photo_count(len(views))
    if calibration.rms_px > MAX_RMS_PX_AT_4000 * max(camera.width_px, camera.height_px) / 4000.0:
        raise CalibrationError(
            f"The corners miss a flat sheet by {calibration.rms_px:.1f} pixels. Lay the sheet on something flat, check "
            "that it is the board described, hold the phone still, and shoot again."
        )
    tilts_deg, spread_deg = _tilts_deg(calibration)
    if float(tilts_deg.max()) < MIN_TILT_SPREAD_DEG:
        raise CalibrationError(
            "All photos look at the sheet square-on, which cannot tell a long lens from a far one. " + HOW_TO_SHOOT
        )
    if spread_deg < MIN_TILT_SPREAD_DEG:
        raise CalibrationError("All photos look at the sheet from the same side. " + HOW_TO_SHOOT)
    distances_mm = [view.distance_mm for view in views]
    if max(distances_mm) < MIN_DISTANCE_RATIO * min(distances_mm):
        raise CalibrationError("All photos were shot from the same distance. " + HOW_TO_SHOOT)
    covered = float(np.mean(calibration.coverage > 0))
    if covered < MIN_COVERED:
        raise CalibrationError(
            f"The sheet was only seen in {covered:.0%} of the picture; nothing was seen "
            f"{', '.join(empty_places(calibration.coverage))}. " + HOW_TO_SHOOT
        )
    _check_focal(calibration)


def _check_focal(calibration: Calibration) -> None:
    camera = calibration.camera
    worst = max(calibration.sigma["fx"] / camera.fx, calibration.sigma["fy"] / camera.fy)
    if not 0.0 < worst <= MAX_FOCAL_SIGMA:
        raise CalibrationError(f"These photos leave the focal length open by {worst:.1%}. " + HOW_TO_SHOOT)
    if abs(camera.fx / camera.fy - 1.0) > MAX_STRETCH:
        raise CalibrationError(
            f"The lens comes out {abs(camera.fx / camera.fy - 1.0):.1%} longer one way than the other; no phone is "
            "so. Measure the printed sheet both ways: print it again at 100 % if it is stretched, and turn the phone "
            "upright for some of the photos without the camera app cropping them."
        )


def _tilts_deg(calibration: Calibration) -> tuple[Array, float]:
    """Each photo's angle off square-on, and the largest angle between the sheet's directions in any two photos."""
    normals = np.array([view.pose.rotation[:, 2] for view in calibration.views])
    tilts = np.degrees(np.arccos(np.clip(normals[:, 2], -1.0, 1.0)))
    return tilts, float(np.degrees(np.arccos(np.clip(np.min(normals @ normals.T), -1.0, 1.0))))


def empty_places(coverage: Array) -> list[str]:
    """Where in the frame, in words, no corner fell: of nine places those with half their cells empty or more.

    ``coverage`` is ``Calibration.coverage``; top and left are those of the stored picture.
    """
    names = (
        ("at the top left", "at the top", "at the top right"),
        ("at the left", "in the middle", "at the right"),
        ("at the bottom left", "at the bottom", "at the bottom right"),
    )
    return [
        names[row][column]
        for row, band in enumerate(np.array_split(coverage, 3, axis=0))
        for column, block in enumerate(np.array_split(band, 3, axis=1))
        if np.mean(block == 0) >= 0.5
    ]
