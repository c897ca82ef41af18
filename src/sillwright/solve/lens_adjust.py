"""One least-squares over a lens, a nearly flat sheet and the pose of each photo: the engine of ``calibrate``.

Levenberg-Marquardt with analytic derivatives. A pose is changed from the left, in the camera frame:
``P' = exp(w) (R P + t) + v`` with the rotation vector w in radians and v in millimetres. Poses are eliminated by the
Schur complement, so the work grows linearly with the number of photos, and what is left over is the normal matrix
of lens and sheet with the poses marginalised. Gross errors are weighed down by Huber's function.

Paper is not quite flat and a printer not quite even, and that spoils a lens quickly: a sheet whose ends stand 0.2 mm
off its middle moves f by 0.3 % where the corners' noise moves it by 0.01 %. So bow and stretch of the sheet are
solved for too, within a prior (K. H. Strobl and G. Hirzinger, "More accurate pinhole camera calibration with
imperfect planar target", ICCV workshops 2011, on why the target belongs among the unknowns).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from sillwright.camera import Array, Camera, Pose, project_with_derivatives, rotation_from_vector

Indices = NDArray[np.intp]

LENS_COUNT = 9
SHEET_COUNT = 4
MAX_STEPS = 60


@dataclass(frozen=True)
class PlaneView:
    """What one photo shows of the sheet.

    plane_mm : (N, 2) corners on the print; corners_px : (N, 2) the same in the stored picture
    sigma_px : standard deviation of one coordinate of one corner; only its size relative to the other photos counts
    """

    name: str
    plane_mm: Array
    corners_px: Array
    sigma_px: float = 1.0


@dataclass(frozen=True)
class Sheet:
    """The printed sheet as it lies: z is into the paper, as in ``cards``.

    middle_mm, half_mm : (2,) middle and half size of the corners seen; u, v run from -1 to 1 over them
    lift_mm : (3,) how high it stands toward the camera for u u, u v and v v
    stretch : how much longer a millimetre is along y than along x, less 1
    """

    middle_mm: Array
    half_mm: Array
    lift_mm: Array
    stretch: float

    def points_mm(self, plane_mm: Array) -> Array:
        """Nominal places on the print, (N, 2), to places in space, (N, 3)."""
        along = plane_mm - self.middle_mm
        height = self._powers(plane_mm) @ self.lift_mm
        return np.column_stack([plane_mm[:, 0], plane_mm[:, 1] + self.stretch * along[:, 1], -height])

    def derivatives(self, plane_mm: Array) -> Array:
        """d(place in space)/d(lift_mm, stretch), (N, 3, 4)."""
        out = np.zeros((len(plane_mm), 3, SHEET_COUNT))
        out[:, 2, :3] = -self._powers(plane_mm)
        out[:, 1, 3] = plane_mm[:, 1] - self.middle_mm[1]
        return out

    def _powers(self, plane_mm: Array) -> Array:
        u, v = ((plane_mm - self.middle_mm) / self.half_mm).T
        return np.column_stack([u * u, u * v, v * v])


def flat_sheet(views: Sequence[PlaneView]) -> Sheet:
    """The sheet as drawn, with its size taken from the corners the views saw."""
    corners = np.concatenate([view.plane_mm for view in views])
    low, high = corners.min(axis=0), corners.max(axis=0)
    return Sheet((low + high) / 2.0, np.maximum((high - low) / 2.0, 1e-6), np.zeros(3), 0.0)


@dataclass(frozen=True)
class State:
    """All unknowns: lens, sheet and one pose for each view (sheet to camera)."""

    camera: Camera
    sheet: Sheet
    poses: tuple[Pose, ...]

    @property
    def values(self) -> Array:
        """The lens's nine numbers and the sheet's four, shape (13,)."""
        return np.concatenate([self.camera.parameters, self.sheet.lift_mm, [self.sheet.stretch]])

    def moved(self, values: Array, moves: Sequence[Array]) -> State:
        """With other lens and sheet numbers, (13,), and each pose changed from the left by (6,)."""
        sheet = replace(self.sheet, lift_mm=values[LENS_COUNT:-1], stretch=float(values[-1]))
        poses = []
        for pose, move in zip(self.poses, moves, strict=True):
            turn = rotation_from_vector(move[:3])
            poses.append(Pose(turn @ pose.rotation, turn @ pose.translation_mm + move[3:]))
        return State(self.camera.with_parameters(values[:LENS_COUNT]), sheet, tuple(poses))


@dataclass(frozen=True)
class Weighing:
    """How residuals count.

    chosen : which of the 13 numbers are solved for; prior : their information about zero, 1 / sigma^2
    clip : where Huber's function turns straight, in units of each photo's sigma_px (infinite: plain least squares)
    information : what one residual of one sigma_px, squared, is worth
    """

    chosen: Indices
    prior: Array
    clip: float
    information: float


def residuals(state: State, views: Sequence[PlaneView]) -> list[Array] | None:
    """Seen less computed in units of each photo's sigma_px; None where a corner would lie behind a camera."""
    out: list[Array] = []
    for pose, view in zip(state.poses, views, strict=True):
        in_camera = pose.to_camera(state.sheet.points_mm(view.plane_mm))
        if not np.min(in_camera[:, 2]) > 1e-3:
            return None
        out.append((view.corners_px - project_with_derivatives(state.camera, in_camera)[0]) / view.sigma_px)
    return out


def minimise(state: State, views: Sequence[PlaneView], weighing: Weighing) -> State:
    """Levenberg-Marquardt to the end."""
    damping = 1e-4
    cost = _cost(state, views, weighing)
    normal = _normal(state, views, weighing, robust=True)
    for _ in range(MAX_STEPS):
        trial = _trial(state, normal, weighing, damping)
        trial_cost = _cost(trial, views, weighing) if trial else np.inf
        if trial is None or trial_cost > cost * (1.0 + 1e-12):
            damping = max(damping, 1e-8) * 10.0
            if damping > 1e10:
                break
            continue
        done = cost - trial_cost < 1e-11 * cost
        state, cost = trial, trial_cost
        if done:
            break
        normal = _normal(state, views, weighing, robust=True)
        damping = damping * 0.1 if damping > 1e-12 else 0.0
    return state


def covariance(state: State, views: Sequence[PlaneView], weighing: Weighing) -> Array:
    """Of the chosen numbers, poses marginalised: the inverse normal matrix without Huber's weights.

    Raises numpy.linalg.LinAlgError where the views leave some of them open.
    """
    normal = _normal(state, views, weighing, robust=False)
    reduced, _ = _reduce(normal, weighing.prior, 0.0)
    scale = 1.0 / np.sqrt(np.diag(normal.shared) + weighing.prior)
    root = np.linalg.inv(np.linalg.cholesky(reduced * np.outer(scale, scale)))
    return (root.T @ root) * np.outer(scale, scale)


@dataclass(frozen=True)
class _Normal:
    """Normal equations: the shared block, and for each photo its pose block, the block between, and right sides."""

    shared: Array
    shared_right: Array
    pose: list[Array]
    between: list[Array]
    pose_right: list[Array]


def _normal(state: State, views: Sequence[PlaneView], weighing: Weighing, *, robust: bool) -> _Normal:
    count = len(weighing.chosen)
    shared, shared_right = np.zeros((count, count)), np.zeros(count)
    pose_blocks, between, pose_right = [], [], []
    for pose, view in zip(state.poses, views, strict=True):
        in_camera = pose.to_camera(state.sheet.points_mm(view.plane_mm))
        pixels, by_point, by_lens = project_with_derivatives(state.camera, in_camera)
        by_sheet = by_point @ (pose.rotation @ state.sheet.derivatives(view.plane_mm))
        by_shared = np.concatenate([by_lens, by_sheet], axis=2)[:, :, weighing.chosen]
        a = by_shared.reshape(-1, count) / view.sigma_px
        b = (by_point @ _by_motion(in_camera)).reshape(-1, 6) / view.sigma_px
        residual = (view.corners_px - pixels).ravel() / view.sigma_px
        weight = np.full(len(residual), weighing.information)
        if robust:
            weight *= np.minimum(1.0, weighing.clip / np.maximum(np.abs(residual), 1e-30))
        shared += (a.T * weight) @ a
        shared_right += (a.T * weight) @ residual
        pose_blocks.append((b.T * weight) @ b)
        between.append((a.T * weight) @ b)
        pose_right.append((b.T * weight) @ residual)
    return _Normal(shared, shared_right, pose_blocks, between, pose_right)


def _by_motion(points_mm: Array) -> Array:
    """d(P')/d(w, v) of the left change of a pose, at zero: [-[P]x, I]; (N, 3) to (N, 3, 6)."""
    x, y, z = points_mm.T
    out = np.zeros((len(points_mm), 3, 6))
    out[:, 0, 1], out[:, 0, 2], out[:, 1, 2] = z, -y, x
    out[:, 1, 0], out[:, 2, 0], out[:, 2, 1] = -z, y, -x
    out[:, :, 3:] = np.eye(3)
    return out


def _reduce(normal: _Normal, prior: Array, damping: float) -> tuple[Array, list[Array]]:
    """The shared normal matrix once the poses are eliminated, and inverse(pose block) for each photo."""
    reduced = normal.shared + np.diag(damping * np.diag(normal.shared) + prior)
    inverses: list[Array] = []
    for block, between in zip(normal.pose, normal.between, strict=True):
        scale = np.diag(1.0 / np.sqrt(np.diag(block)))
        inverse = scale @ np.linalg.inv(scale @ block @ scale + damping * np.eye(6)) @ scale
        reduced -= between @ inverse @ between.T
        inverses.append(inverse)
    return reduced, inverses


def _trial(state: State, normal: _Normal, weighing: Weighing, damping: float) -> State | None:
    """One damped step; None where it leads nowhere a lens can be."""
    values, chosen, prior = state.values, weighing.chosen, weighing.prior
    right = normal.shared_right - prior * values[chosen]
    try:
        reduced, inverses = _reduce(normal, prior, damping)
        for between, inverse, pose_right in zip(normal.between, inverses, normal.pose_right, strict=True):
            right = right - between @ inverse @ pose_right
        scale = 1.0 / np.sqrt(np.diag(normal.shared) + prior)
        step = scale * np.linalg.solve(reduced * np.outer(scale, scale), scale * right)
    except np.linalg.LinAlgError:
        return None
    moves = [
        inverse @ (pose_right - between.T @ step)
        for between, inverse, pose_right in zip(normal.between, inverses, normal.pose_right, strict=True)
    ]
    values[chosen] += step
    finite = bool(np.all(np.isfinite(values))) and all(bool(np.all(np.isfinite(move))) for move in moves)
    if not finite or values[0] <= 0.0 or values[1] <= 0.0 or np.max(np.abs(values[4:])) > 1e3:
        return None
    return state.moved(values, moves)


def _cost(state: State, views: Sequence[PlaneView], weighing: Weighing) -> float:
    seen = residuals(state, views)
    if seen is None:
        return np.inf
    size = np.abs(np.concatenate([each.ravel() for each in seen]))
    inner = np.minimum(size, weighing.clip)
    priors = 0.5 * float(np.sum(weighing.prior * state.values[weighing.chosen] ** 2))
    return weighing.information * float(np.sum(inner * (size - 0.5 * inner))) + priors
