"""The lens from several photos of one flat printed sheet.

Zhang's method (Z. Zhang, "A flexible new technique for camera calibration", IEEE PAMI 22(11), 2000): a first focal
length in closed form, a pose for each photo from its homography, then one least-squares over lens, sheet and poses
(``lens_adjust``). The covariance is the inverse normal matrix, poses and sheet marginalised, times the residual
variance with Huber's correction (P. J. Huber, "Robust Statistics", 1981, section 7.6).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import cv2
import numpy as np

from sillwright.camera import INTRINSIC_NAMES, Array, Camera, Pose, ideal_from_pixels
from sillwright.errors import CalibrationError
from sillwright.solve.lens_adjust import (
    LENS_COUNT,
    SHEET_COUNT,
    Indices,
    PlaneView,
    Sheet,
    State,
    Weighing,
    covariance,
    flat_sheet,
    minimise,
    residuals,
)

HUBER_SIGMAS = 2.5
ROBUST_ROUNDS = 4
# Priors of zero mean for what a small set may leave open. They are several times wider than such lenses show, so
# they only act where the photos say nothing; k1, k2, f and c always come from the photos alone.
WEAK_PRIOR_SIGMA = {"p1": 0.003, "p2": 0.003, "k3": 0.2}
SHEET_LIFT_SIGMA_MM = 1.0  # paper taped to a board, from its middle to its edge: common practice, no source
SHEET_STRETCH_SIGMA = 0.003  # printers differ a few tenths of a per cent between the two ways
START_FOCAL_OF_LONG_SIDE = 1.2
COVERAGE_ROWS, COVERAGE_COLUMNS = 6, 8


@dataclass(frozen=True)
class ViewFit:
    """One photo after the adjustment: sheet to camera, and seen less computed, (N, 2) pixels."""

    name: str
    pose: Pose
    plane_mm: Array
    corners_px: Array
    residuals_px: Array

    @property
    def rms_px(self) -> float:
        """Root mean square distance between seen and computed corners."""
        return float(np.sqrt(np.mean(np.sum(self.residuals_px**2, axis=1))))

    @property
    def distance_mm(self) -> float:
        """From the camera to the middle of the corners it saw."""
        middle = np.append(self.plane_mm.mean(axis=0), 0.0)
        return float(np.linalg.norm(self.pose.to_camera(middle[None])[0]))


@dataclass(frozen=True)
class Calibration:
    """A lens with what is known of its uncertainty.

    covariance : (9, 9) in the order of ``INTRINSIC_NAMES``, poses and sheet marginalised; zero for numbers held
    sigma : the square roots of its diagonal by name
    rms_px : root mean square distance between seen and computed corners over all photos
    sheet, sheet_sigma : the sheet as it was found to lie, and the standard deviations of lift_mm and stretch, (4,)
    coverage : (rows, columns), how many corners fell into each cell of the frame
    """

    camera: Camera
    covariance: Array
    sigma: dict[str, float]
    rms_px: float
    views: tuple[ViewFit, ...]
    sheet: Sheet
    sheet_sigma: Array
    coverage: Array


def calibrate(
    views: Sequence[PlaneView],
    width_px: int,
    height_px: int,
    *,
    free: tuple[str, ...] = INTRINSIC_NAMES,
    start: Camera | None = None,
    robust: bool = True,
    exact_sheet: bool = False,
) -> Calibration:
    """The lens that explains all views of the sheet, with its covariance.

    Parameters
    ----------
    views : photos of one sheet at one picture size.
    free : which of ``INTRINSIC_NAMES`` to solve for; the others keep the value of ``start`` (distortion: zero).
    start : a first lens, used where the closed form fails. Without it f = 1.2 x the longer side.
    robust : weigh down gross errors (Huber, 2.5 sigma); False gives plain least squares.
    exact_sheet : the target is flat and true, as an engraved plate is; otherwise its bow and stretch are solved for.

    Raises CalibrationError where the photos cannot determine the numbers asked for.
    """
    lens = [INTRINSIC_NAMES.index(name) for name in free]
    chosen = np.array(lens + ([] if exact_sheet else [LENS_COUNT + k for k in range(SHEET_COUNT)]))
    if 2 * sum(len(view.corners_px) for view in views) <= 6 * len(views) + len(chosen):
        raise CalibrationError(
            "Too few sheet corners were found to work out the lens. Shoot at least 8 photos of the whole sheet."
        )
    sigma = [WEAK_PRIOR_SIGMA.get(name, np.inf) for name in INTRINSIC_NAMES]
    prior = np.array([*sigma, *[SHEET_LIFT_SIGMA_MM] * 3, SHEET_STRETCH_SIGMA])[chosen] ** -2.0
    camera = _first_camera(views, width_px, height_px, start)
    poses = tuple(pose_from_homography(camera, view.plane_mm, view.corners_px) for view in views)
    state = State(camera, flat_sheet(views), poses)
    for _ in range(ROBUST_ROUNDS):
        state = minimise(state, views, _weighing(state, views, chosen, prior, robust)[0])
    return _result(state, views, chosen, prior, robust)


def pose_from_homography(camera: Camera, plane_mm: Array, corners_px: Array) -> Pose:
    """The pose of a plane (Z = 0) from its corners, both (N, 2), N >= 4; Zhang 2000, section 3.1.

    Raises CalibrationError where the corners lie on one line.
    """
    homography, _ = cv2.findHomography(plane_mm, ideal_from_pixels(camera, corners_px), 0)
    if homography is None:
        raise CalibrationError("The sheet's corners in a photo lie on one line. Shoot the whole sheet.")
    h = homography * np.sign(homography[2] @ np.append(plane_mm.mean(axis=0), 1.0))
    h = h / np.sqrt(np.linalg.norm(h[:, 0]) * np.linalg.norm(h[:, 1]))
    u, _, vt = np.linalg.svd(np.stack([h[:, 0], h[:, 1], np.cross(h[:, 0], h[:, 1])], axis=1))
    return Pose(u @ np.diag([1.0, 1.0, np.linalg.det(u @ vt)]) @ vt, h[:, 2])


def coverage_counts(corners_px: Array, width_px: int, height_px: int) -> Array:
    """How many corners, (N, 2), fall into each of 6 x 8 equal cells of the frame; 8 along its longer side."""
    rows, columns = COVERAGE_ROWS, COVERAGE_COLUMNS
    if height_px > width_px:
        rows, columns = columns, rows
    edges_y = np.linspace(-0.5, height_px - 0.5, rows + 1)
    edges_x = np.linspace(-0.5, width_px - 0.5, columns + 1)
    return np.histogram2d(corners_px[:, 1], corners_px[:, 0], bins=(edges_y, edges_x))[0]


def _first_camera(views: Sequence[PlaneView], width_px: int, height_px: int, start: Camera | None) -> Camera:
    """A lens without distortion, centred, with one focal length from Zhang's two constraints on each homography."""
    longer = float(max(width_px, height_px))
    centre = np.array([(width_px - 1) / 2.0, (height_px - 1) / 2.0])
    left, right = [], []
    for view in views:
        homography, _ = cv2.findHomography(view.plane_mm, (view.corners_px - centre) / longer, 0)
        if homography is None:
            continue
        first, second = (homography[:, :2] / np.linalg.norm(homography[:, :2])).T
        left += [first[:2] @ second[:2], first[:2] @ first[:2] - second[:2] @ second[:2]]
        right += [-first[2] * second[2], second[2] ** 2 - first[2] ** 2]
    inverse_square = float(np.dot(left, right)) / max(float(np.dot(left, left)), 1e-30)
    in_range = 0.3**2 < 1.0 / max(inverse_square, 1e-30) < 5.0**2
    if start is not None and not in_range:
        return start
    focal = longer * (inverse_square**-0.5 if in_range else START_FOCAL_OF_LONG_SIDE)
    return Camera(width_px, height_px, focal, focal, float(centre[0]), float(centre[1]))


def _weighing(
    state: State, views: Sequence[PlaneView], chosen: Indices, prior: Array, robust: bool
) -> tuple[Weighing, list[Array], float]:
    """Weights from the residuals as they stand, those residuals, and the share of them below Huber's clip.

    The photos' own sigmas only matter relative to each other: one unit is worth what the residuals show.
    """
    seen = residuals(state, views)
    if seen is None:
        raise CalibrationError("The photos do not fit one flat sheet. Shoot the sheet again, flat and whole.")
    flat = np.concatenate([each.ravel() for each in seen])
    clip = max(HUBER_SIGMAS * 1.4826 * float(np.median(np.abs(flat))), 1e-9) if robust else np.inf
    inside = float(np.mean(np.abs(flat) <= clip))
    freedom = len(flat) - 6 * len(views) - len(chosen)
    variance = max(float(np.sum(np.clip(flat, -clip, clip) ** 2)) / freedom, 1e-18)
    return Weighing(chosen, prior, clip, inside / variance), seen, inside


def _result(state: State, views: Sequence[PlaneView], chosen: Indices, prior: Array, robust: bool) -> Calibration:
    weighing, seen, inside = _weighing(state, views, chosen, prior, robust)
    everything = np.zeros((LENS_COUNT + SHEET_COUNT, LENS_COUNT + SHEET_COUNT))
    try:
        # Huber: covariance = mean(psi^2) / mean(psi')^2 x inverse(J'J); the second mean(psi') enters here.
        corrected = Weighing(chosen, prior, weighing.clip, weighing.information * inside)
        everything[chosen[:, None], chosen] = covariance(state, views, corrected)
    except np.linalg.LinAlgError as fault:
        raise CalibrationError(
            "These photos leave the lens open. Shoot at least 8: some near, some far, most with the phone tilted "
            "20 to 40 degrees, each to another side."
        ) from fault
    fits = tuple(
        ViewFit(view.name, pose, view.plane_mm, view.corners_px, residual * view.sigma_px)
        for view, pose, residual in zip(views, state.poses, seen, strict=True)
    )
    squares = np.concatenate([np.sum(fit.residuals_px**2, axis=1) for fit in fits])
    all_px = np.concatenate([view.corners_px for view in views])
    sigma = np.sqrt(np.diag(everything))
    return Calibration(
        camera=state.camera,
        covariance=everything[:LENS_COUNT, :LENS_COUNT],
        sigma={name: float(value) for name, value in zip(INTRINSIC_NAMES, sigma[:LENS_COUNT], strict=True)},
        rms_px=float(np.sqrt(np.mean(squares))),
        views=fits,
        sheet=state.sheet,
        sheet_sigma=sigma[LENS_COUNT:],
        coverage=coverage_counts(all_px, state.camera.width_px, state.camera.height_px),
    )
