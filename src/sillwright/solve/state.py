"""What an adjustment solves for and from: cameras, cards, lines, what was seen of them, and the priors."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from sillwright.camera import Array, Camera, Pose, project_with_derivatives, undistort
from sillwright.cards import CARD_MARGIN_MM

# Priors; all are one standard deviation.
CARD_TILT_RAD = np.radians(0.15)  # paper on trowelled concrete: 0.2 mm over a card 90 mm deep
CARD_HEIGHT_MM = 0.3  # the concrete under one card against the mean of the wall
CARD_CURL_MM = 0.3  # how far both short ends of a card stand off
TAPE_SIGMA_MM = 0.6  # reading to 1/16 in (0.46 mm) and a class II tape to 3 m (0.3 mm), EU MID annex MI-008

POSE, CARD, LENS = 6, 7, 9  # unknowns a photo, a card (3 origin, 3 turn, 1 curl), a lens


@dataclass(frozen=True)
class CardState:
    """One card in the wall frame: zero mark (3,), rotation board to wall (3, 3), and curl in mm."""

    origin_mm: Array
    rotation: Array
    curl_mm: float = 0.0


@dataclass(frozen=True)
class LineState:
    """A chalk line on Z = 0: the point (0, offset) rotated by ``angle_rad`` from X; line 0 is angle 0, offset 0."""

    angle_rad: float
    offset_mm: float

    @property
    def direction(self) -> Array:
        """Unit vector along it, (3,)."""
        return np.array([np.cos(self.angle_rad), np.sin(self.angle_rad), 0.0])

    @property
    def normal(self) -> Array:
        """Unit vector to its left, (3,)."""
        return np.array([-np.sin(self.angle_rad), np.cos(self.angle_rad), 0.0])


@dataclass(frozen=True)
class CardObservation:
    """The corners of card ``card`` (index) in photo ``photo`` (index)."""

    photo: int
    card: int
    board_mm: Array
    px: Array
    sigma_px: float


@dataclass(frozen=True)
class LineObservation:
    """Points of chalk line ``line`` in photo ``photo``: pixels (N, 2), each with a sigma across the line in px."""

    photo: int
    line: int
    px: Array
    sigma_px: Array


@dataclass(frozen=True)
class TapeObservation:
    """A taped distance between the zero marks of two cards (indices)."""

    card_a: int
    card_b: int
    length_mm: float


@dataclass(frozen=True)
class State:
    """Everything solved for."""

    lenses: tuple[Camera, ...]
    poses: tuple[Pose, ...]
    cards: tuple[CardState, ...]
    lines: tuple[LineState, ...]
    scale: float


@dataclass(frozen=True)
class Problem:
    """What was seen and what is known beforehand.

    lens_of_photo : index of each photo's lens
    lens_prior : for each lens its mean (9,) and covariance (9, 9)
    face_height_mm : of the printed face over the concrete
    scale_sigma : of the print scale about ``scale_mean``
    zero_card : index of the card whose zero mark has X = 0
    zero_held : without a chalk line, where that card is held: Y of its zero mark, and the sine of its turn from X
    """

    card_seen: tuple[CardObservation, ...]
    line_seen: tuple[LineObservation, ...]
    taped: tuple[TapeObservation, ...]
    lens_of_photo: tuple[int, ...]
    lens_prior: tuple[tuple[Array, Array], ...]
    face_height_mm: float
    card_middle_mm: Array
    scale_mean: float = 1.0
    scale_sigma: float = 0.0012
    zero_card: int = 0
    zero_held: tuple[float, float] = (0.0, 0.0)


@dataclass(frozen=True)
class Layout:
    """Where each unknown stands in the parameter vector."""

    photos: int
    cards: int
    lenses: int
    lines: int

    @property
    def size(self) -> int:
        """How many unknowns."""
        return POSE * self.photos + CARD * self.cards + LENS * self.lenses + 2 * max(0, self.lines - 1) + 1

    def pose(self, i: int) -> slice:
        """w (3) then t (3) of photo i."""
        return slice(POSE * i, POSE * (i + 1))

    def card(self, j: int) -> slice:
        """Origin (3), turn (3), curl (1) of card j."""
        start = POSE * self.photos + CARD * j
        return slice(start, start + CARD)

    def lens(self, k: int) -> slice:
        """The nine numbers of lens k."""
        start = POSE * self.photos + CARD * self.cards + LENS * k
        return slice(start, start + LENS)

    def line(self, m: int) -> slice:
        """Angle and offset of line m >= 1."""
        start = POSE * self.photos + CARD * self.cards + LENS * self.lenses + 2 * (m - 1)
        return slice(start, start + 2)

    @property
    def scale(self) -> int:
        """The print scale."""
        return self.size - 1


def bow(board_x_mm: Array) -> Array:
    """Height of a curled card's face over its middle, as a share of the height of its short ends."""
    return (2.0 * (board_x_mm + CARD_MARGIN_MM) / 260.0 - 1.0) ** 2


def card_points(card: CardState, scale: float, board_mm: Array) -> Array:
    """Nominal print coordinates (N, 2) to the wall frame (N, 3)."""
    local = np.column_stack([scale * board_mm, -card.curl_mm * bow(board_mm[:, 0])])
    return card.origin_mm + local @ card.rotation.T


def line_feet(
    camera: Camera, poses: Sequence[Pose], lines: Sequence[LineState], px: Sequence[Array]
) -> tuple[Array, Array, Array]:
    """Points of lines nearest, in the picture, to pixels: of each photo by one camera the line and pixels (N, 2).

    Of all pixels one after another: wall points (N, 3), the same in their photo's camera frame (N, 3), and the
    picture's unit normals there (N, 2).
    """
    which = np.repeat(np.arange(len(px)), [len(one) for one in px])
    seen_px = np.concatenate(px)
    directions, bases = (
        np.stack(part) for part in zip(*((v.direction, v.offset_mm * v.normal) for v in lines), strict=True)
    )
    turns, centres = np.stack([pose.rotation for pose in poses]), np.stack([pose.centre_mm for pose in poses])
    direction, base = directions[which], bases[which]
    # In the camera's frame a line runs from a start along a way.
    way = np.einsum("pij,pj->pi", turns, directions)[which]
    start = np.stack([pose.to_camera(one[None])[0] for pose, one in zip(poses, bases, strict=True)])[which]
    # Two steps of undistortion are near enough to start from: one step in the picture then finds the foot.
    bent = (seen_px - [camera.cx, camera.cy]) / [camera.fx, camera.fy]
    ray = np.einsum(
        "ni,nij->nj", np.column_stack([undistort(camera, bent, iterations=2), np.ones(len(bent))]), turns[which]
    )
    off = np.einsum("pi,pi->p", centres - bases, directions)[which]
    along = off - centres[which, 2] / ray[:, 2] * np.einsum("ni,ni->n", ray, direction)
    shown, by_point, _ = project_with_derivatives(camera, start + along[:, None] * way)
    tangent = np.einsum("nij,nj->ni", by_point, way)
    along = along + np.einsum("ni,ni->n", seen_px - shown, tangent) / np.einsum("ni,ni->n", tangent, tangent)
    tangent /= np.linalg.norm(tangent, axis=1, keepdims=True)
    normals = np.column_stack([-tangent[:, 1], tangent[:, 0]])
    return base + along[:, None] * direction, start + along[:, None] * way, normals
