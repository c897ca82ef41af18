"""The camera: lens, pose, projection, rays, and where a ray meets a level plane.

Conventions, here and everywhere in the package:

- Pixel (0, 0) is the *centre* of the first stored pixel; x runs right, y down, in the stored (unturned) file.
- Camera frame: x right, y down, z forward, millimetres.
- The lens is the Brown model in the order k1, k2, p1, p2, k3 (D. C. Brown, "Close-range camera calibration",
  Photogrammetric Engineering 37(8), 1971; written as in the OpenCV documentation of ``projectPoints``).
- A pose maps wall coordinates to camera coordinates: ``P_camera = R @ P_wall + t``.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import cache
from typing import Any

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.floating[Any]]

INTRINSIC_NAMES = ("fx", "fy", "cx", "cy", "k1", "k2", "p1", "p2", "k3")


@dataclass(frozen=True)
class Camera:
    """Intrinsics and distortion of one lens at one picture size; all of f and c in pixels."""

    width_px: int
    height_px: int
    fx: float
    fy: float
    cx: float
    cy: float
    k1: float = 0.0
    k2: float = 0.0
    p1: float = 0.0
    p2: float = 0.0
    k3: float = 0.0

    @property
    def parameters(self) -> Array:
        """The nine numbers in the order of ``INTRINSIC_NAMES``, shape (9,)."""
        return np.array([getattr(self, name) for name in INTRINSIC_NAMES], dtype=float)

    def with_parameters(self, values: Array) -> Camera:
        """The same picture size with the nine numbers of ``values``, shape (9,)."""
        return Camera(self.width_px, self.height_px, *(float(v) for v in values))

    @property
    def matrix(self) -> Array:
        """The 3 x 3 camera matrix."""
        return np.array([[self.fx, 0.0, self.cx], [0.0, self.fy, self.cy], [0.0, 0.0, 1.0]])

    @property
    def is_pinhole(self) -> bool:
        """Whether the lens bends nothing."""
        return not any(self.bend)

    @property
    def bend(self) -> tuple[float, ...]:
        """What bends the picture: lenses for which it is the same bend alike."""
        return self.k1, self.k2, self.p1, self.p2, self.k3

    @property
    def distortion(self) -> Array:
        """k1, k2, p1, p2, k3; shape (5,)."""
        return np.array(self.bend)

    def scaled(self, width_px: int, height_px: int) -> Camera:
        """The same lens for the same picture stored at another size.

        With pixel centres on whole numbers a picture scaled by s has c' = (c + 0.5) s - 0.5.
        """
        sx, sy = width_px / self.width_px, height_px / self.height_px
        return replace(
            self,
            width_px=width_px,
            height_px=height_px,
            fx=self.fx * sx,
            fy=self.fy * sy,
            cx=(self.cx + 0.5) * sx - 0.5,
            cy=(self.cy + 0.5) * sy - 0.5,
        )

    def turned_clockwise(self) -> Camera:
        """The same lens for pictures whose stored pixels were turned 90 degrees clockwise.

        Old (x, y) becomes (height - 1 - y, x), so in the camera frame X' = -Y, Y' = X; put into the Brown model this
        gives p1' = p2 and p2' = -p1.
        """
        return replace(
            self,
            width_px=self.height_px,
            height_px=self.width_px,
            fx=self.fy,
            fy=self.fx,
            cx=self.height_px - 1 - self.cy,
            cy=self.cx,
            p1=self.p2,
            p2=-self.p1,
        )

    def turned_half(self) -> Camera:
        """The same lens for pictures whose stored pixels were turned half round."""
        return self.turned_clockwise().turned_clockwise()

    def reduced(self, factor: int) -> Camera:
        """The same lens for the picture with squares of ``factor`` pixels made one; a rest at the edge may be kept."""
        return replace(
            self,
            width_px=-(-self.width_px // factor),
            height_px=-(-self.height_px // factor),
            fx=self.fx / factor,
            fy=self.fy / factor,
            cx=(self.cx + 0.5) / factor - 0.5,
            cy=(self.cy + 0.5) / factor - 0.5,
        )


@dataclass(frozen=True)
class Pose:
    """Where a camera stands: ``P_camera = rotation @ P_wall + translation_mm``.

    ``rotation`` is orthogonal. Its determinant is +1, or -1 where the wall frame is left-handed.
    """

    rotation: Array
    translation_mm: Array

    @property
    def centre_mm(self) -> Array:
        """The camera's place in the wall frame, shape (3,)."""
        return -self.rotation.T @ self.translation_mm

    def to_camera(self, points_mm: Array) -> Array:
        """Wall points, shape (N, 3), to camera points, shape (N, 3)."""
        return np.asarray(points_mm, dtype=float) @ self.rotation.T + self.translation_mm


def rotation_from_vector(vector: Array) -> Array:
    """Rodrigues' formula: the rotation by ``|vector|`` radians about ``vector``; (3,) to (3, 3)."""
    angle = float(np.linalg.norm(vector))
    if angle < 1e-12:
        return np.eye(3) + cross_matrix(vector)
    k = cross_matrix(np.asarray(vector, dtype=float) / angle)
    return np.eye(3) + np.sin(angle) * k + (1.0 - np.cos(angle)) * (k @ k)


def cross_matrix(vector: Array) -> Array:
    """[v]x, so that ``cross_matrix(v) @ w == cross(v, w)``; (3,) to (3, 3)."""
    x, y, z = (float(v) for v in vector)
    return np.array([[0.0, -z, y], [z, 0.0, -x], [-y, x, 0.0]])


def distort(camera: Camera, ideal: Array) -> Array:
    """Ideal normalised image points, shape (N, 2), to distorted ones, shape (N, 2)."""
    bent = np.empty(ideal.shape)
    bent[:, 0], bent[:, 1] = distort_apart(camera, ideal[:, 0], ideal[:, 1])
    return bent


def distort_apart(camera: Camera, x: Array, y: Array) -> tuple[Array, Array]:
    """The same for x and y in arrays of their own, of any one shape."""
    if camera.is_pinhole:
        return x.copy(), y.copy()
    xx, yy, xy = x * x, y * y, x * y
    r2 = xx + yy
    radial = 1.0 + r2 * (camera.k1 + r2 * (camera.k2 + r2 * camera.k3))
    bent_x, bent_y = x * radial, y * radial
    if camera.p1 or camera.p2:
        bent_x += 2.0 * camera.p1 * xy + camera.p2 * (r2 + 2.0 * xx)
        bent_y += camera.p1 * (r2 + 2.0 * yy) + 2.0 * camera.p2 * xy
    return bent_x, bent_y


def undistort(camera: Camera, distorted: Array, iterations: int = 12) -> Array:
    """The inverse of :func:`distort` by Newton's method with its exact 2 x 2 derivative; (N, 2) to (N, 2)."""
    ideal = np.array(distorted, dtype=float)
    for _ in range(iterations):
        error = distort(camera, ideal) - distorted
        jac = _distort_derivative(camera, ideal)
        det = jac[:, 0, 0] * jac[:, 1, 1] - jac[:, 0, 1] * jac[:, 1, 0]
        step_x = (jac[:, 1, 1] * error[:, 0] - jac[:, 0, 1] * error[:, 1]) / det
        step_y = (jac[:, 0, 0] * error[:, 1] - jac[:, 1, 0] * error[:, 0]) / det
        ideal -= np.stack([step_x, step_y], axis=1)
        if max(np.max(np.abs(step_x), initial=0.0), np.max(np.abs(step_y), initial=0.0)) < 1e-13:
            break
    return ideal


def _distort_derivative(camera: Camera, ideal: Array) -> Array:
    """d(distorted)/d(ideal), shape (N, 2, 2)."""
    x, y = ideal[:, 0], ideal[:, 1]
    r2 = x * x + y * y
    radial = 1.0 + r2 * (camera.k1 + r2 * (camera.k2 + r2 * camera.k3))
    slope = camera.k1 + r2 * (2.0 * camera.k2 + 3.0 * r2 * camera.k3)
    jac = np.empty((len(ideal), 2, 2))
    jac[:, 0, 0] = radial + 2.0 * x * x * slope + 2.0 * camera.p1 * y + 6.0 * camera.p2 * x
    jac[:, 0, 1] = 2.0 * x * y * slope + 2.0 * camera.p1 * x + 2.0 * camera.p2 * y
    jac[:, 1, 0] = jac[:, 0, 1]
    jac[:, 1, 1] = radial + 2.0 * y * y * slope + 6.0 * camera.p1 * y + 2.0 * camera.p2 * x
    return jac


def project_camera_points(camera: Camera, points_camera_mm: Array) -> Array:
    """Points in the camera frame, shape (N, 3) with z > 0, to pixels, shape (N, 2)."""
    z = points_camera_mm[:, 2]
    bent = distort(camera, points_camera_mm[:, :2] / z[:, None])
    return bent * np.array([camera.fx, camera.fy]) + np.array([camera.cx, camera.cy])


@cache
def field_radius(camera: Camera) -> float:
    """How far from the axis, as an ideal normalised radius, the lens model is to be trusted.

    A polynomial fitted inside the picture folds back on itself somewhere outside it, and would put far points into
    the picture; so it is used to 1.25 times the farthest corner and no farther. Without distortion nothing folds.
    """
    if camera.is_pinhole:
        return np.inf
    w, h = camera.width_px - 1.0, camera.height_px - 1.0
    corners = ideal_from_pixels(camera, np.array([[0.0, 0.0], [w, 0.0], [0.0, h], [w, h]]))
    return 1.25 * float(np.max(np.linalg.norm(corners, axis=1)))


def project(camera: Camera, pose: Pose, points_mm: Array) -> Array:
    """Wall points, shape (N, 3), to pixels, shape (N, 2).

    Points behind the camera, or so far outside the picture that the lens model means nothing, give NaN.
    """
    return np.stack(project_apart(camera, *pose.to_camera(np.atleast_2d(points_mm)).T), axis=1)


def project_apart(camera: Camera, x_mm: Array, y_mm: Array, z_mm: Array) -> tuple[Array, Array]:
    """The same for points in the camera frame, x, y and z in arrays of their own of any one shape."""
    ahead = (z_mm > 1e-6) & (np.hypot(x_mm, y_mm) < field_radius(camera) * np.maximum(z_mm, 1e-6))
    depth = np.where(ahead, z_mm, np.nan)
    bent_x, bent_y = distort_apart(camera, x_mm / depth, y_mm / depth)
    return bent_x * camera.fx + camera.cx, bent_y * camera.fy + camera.cy


def project_with_derivatives(camera: Camera, points_camera_mm: Array) -> tuple[Array, Array, Array]:
    """Projection with its analytic derivatives.

    Parameters
    ----------
    points_camera_mm : shape (N, 3), in the camera frame, z > 0.

    Returns
    -------
    pixels : (N, 2)
    by_point : (N, 2, 3), d(pixel)/d(camera point), px per mm
    by_intrinsics : (N, 2, 9), d(pixel)/d(``INTRINSIC_NAMES``)
    """
    z = points_camera_mm[:, 2]
    ideal = points_camera_mm[:, :2] / z[:, None]
    bent = distort(camera, ideal)
    focal = np.array([camera.fx, camera.fy])
    pixels = bent * focal + np.array([camera.cx, camera.cy])

    by_ideal = _distort_derivative(camera, ideal) * focal[None, :, None]
    by_point = np.empty((len(z), 2, 3))
    by_point[:, :, :2] = by_ideal / z[:, None, None]
    by_point[:, :, 2] = -np.einsum("nij,nj->ni", by_ideal, ideal) / z[:, None]

    x, y = ideal[:, 0], ideal[:, 1]
    r2 = x * x + y * y
    by_intrinsics = np.zeros((len(z), 2, 9))
    by_intrinsics[:, 0, 0] = bent[:, 0]
    by_intrinsics[:, 1, 1] = bent[:, 1]
    by_intrinsics[:, 0, 2] = 1.0
    by_intrinsics[:, 1, 3] = 1.0
    for column, power in ((4, r2), (5, r2**2), (8, r2**3)):
        by_intrinsics[:, :, column] = focal * ideal * power[:, None]
    by_intrinsics[:, 0, 6] = camera.fx * 2.0 * x * y
    by_intrinsics[:, 1, 6] = camera.fy * (r2 + 2.0 * y * y)
    by_intrinsics[:, 0, 7] = camera.fx * (r2 + 2.0 * x * x)
    by_intrinsics[:, 1, 7] = camera.fy * 2.0 * x * y
    return pixels, by_point, by_intrinsics


def pull_back(camera: Camera, points_camera_mm: Array, along_px: Array) -> Array:
    """How fast each point's picture moves along a direction of the picture as the point moves, px per mm.

    points_camera_mm : (3, N) in the camera frame, z > 0; along_px : (N, 2). Returns (3, N): the transposed derivative
    of :func:`project_with_derivatives` times the direction, at a fraction of its cost.
    """
    nearness = 1.0 / points_camera_mm[2]
    x, y = points_camera_mm[0] * nearness, points_camera_mm[1] * nearness
    jac = _distort_derivative(camera, np.stack([x, y], axis=1))
    across, down = camera.fx * along_px[:, 0], camera.fy * along_px[:, 1]
    out = np.empty(points_camera_mm.shape)
    out[0] = (across * jac[:, 0, 0] + down * jac[:, 1, 0]) * nearness
    out[1] = (across * jac[:, 0, 1] + down * jac[:, 1, 1]) * nearness
    out[2] = -(out[0] * x + out[1] * y)
    return out


def ideal_from_pixels(camera: Camera, pixels: Array) -> Array:
    """Pixels, shape (N, 2), to ideal (undistorted) normalised points, shape (N, 2)."""
    pixels = np.atleast_2d(np.asarray(pixels, dtype=float))
    bent = (pixels - np.array([camera.cx, camera.cy])) / np.array([camera.fx, camera.fy])
    return undistort(camera, bent)


def rays(camera: Camera, pose: Pose, pixels: Array) -> Array:
    """Unit directions in the wall frame of the rays through ``pixels``; (N, 2) to (N, 3)."""
    ideal = ideal_from_pixels(camera, pixels)
    in_camera = np.concatenate([ideal, np.ones((len(ideal), 1))], axis=1)
    in_wall = in_camera @ pose.rotation
    return in_wall / np.linalg.norm(in_wall, axis=1, keepdims=True)


def meet_plane(camera: Camera, pose: Pose, pixels: Array, z_mm: float = 0.0) -> Array:
    """Where the rays through ``pixels`` (N, 2) meet the level plane Z = ``z_mm``; shape (N, 3).

    Rays that never meet it ahead of the camera give NaN.
    """
    directions = rays(camera, pose, pixels)
    centre = pose.centre_mm
    with np.errstate(divide="ignore", invalid="ignore"):
        distance = (z_mm - centre[2]) / directions[:, 2]
    points = centre + distance[:, None] * directions
    points[~(distance > 0)] = np.nan
    return points
