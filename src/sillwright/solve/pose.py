"""First places: a photo's pose from one flat card, cards and photos chained into one wall frame."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import cv2
import numpy as np

from sillwright.camera import Array, Camera, Pose, ideal_from_pixels, meet_plane, project
from sillwright.solve.adjust import adjust
from sillwright.solve.state import (
    LENS,
    CardObservation,
    CardState,
    LineState,
    Problem,
    State,
)

START_SIGMA_PX = 0.1
FLIP = np.diag([1.0, -1.0, -1.0])  # board frame (z into the paper) to the wall's (z up)


@dataclass(frozen=True)
class CardView:
    """Corners of one card in one photo: nominal print mm times print scale (N, 2), and pixels (N, 2)."""

    board_mm: Array
    px: Array


def pose_from_plane(camera: Camera, flat_mm: Array, px: Array) -> tuple[Pose, float]:
    """Pose of the camera against points of one plane Z = 0; both planar solutions are tried.

    Collins and Bartoli, "Infinitesimal plane-based pose estimation", IJCV 109, 2014, gives the pair; each is polished
    by least squares and the one that fits better is kept.

    Parameters
    ----------
    flat_mm : (N, 2) plane coordinates, right-handed seen from the camera's side (Z toward the camera)
    px : (N, 2)

    Returns
    -------
    The pose (plane to camera) and its rms residual in px of one coordinate.
    """
    points = np.column_stack([flat_mm, np.zeros(len(flat_mm))])
    # In pixels of an undistorted picture: the polishing below stops by a fixed step that normalised units would meet
    # too soon.
    matrix = np.diag([camera.fx, camera.fx, 1.0])
    flat = (ideal_from_pixels(camera, px) * camera.fx)[:, None, :]
    count, turns, shifts, _ = cv2.solvePnPGeneric(points, flat, matrix, np.zeros(5), flags=cv2.SOLVEPNP_IPPE)
    best: tuple[Pose, float] | None = None
    for turn, shift in zip(turns[:count], shifts[:count], strict=True):
        turn, shift = cv2.solvePnPRefineLM(points, flat, matrix, np.zeros(5), turn, shift)
        pose = Pose(cv2.Rodrigues(turn)[0], np.reshape(shift, 3))
        rms = float(np.sqrt(np.mean((project(camera, pose, points) - px) ** 2)))
        if pose.centre_mm[2] > 0 and np.isfinite(rms) and (best is None or rms < best[1]):
            best = (pose, rms)
    if best is None:
        raise ValueError("no pose in front of the plane")
    return best


def place_card(camera: Camera, pose: Pose, view: CardView, face_height_mm: float) -> tuple[CardState, float]:
    """Where a card lies, flat, given the photo's pose: rigid fit of its back-projected corners.

    Kabsch's rotation (Acta Cryst. A32, 1976). Returns the card and the rms misfit in mm.
    """
    ground = meet_plane(camera, pose, view.px, face_height_mm)[:, :2]
    board = view.board_mm * np.array([1.0, -1.0])
    middle_g, middle_b = ground.mean(axis=0), board.mean(axis=0)
    u, _, vt = np.linalg.svd((board - middle_b).T @ (ground - middle_g))
    turn = vt.T @ np.diag([1.0, np.sign(np.linalg.det(vt.T @ u.T))]) @ u.T
    rotation = np.eye(3)
    rotation[:2, :2] = turn
    origin = np.append(middle_g - turn @ middle_b, face_height_mm)
    misfit = ground - (board @ turn.T + origin[:2])
    return CardState(origin, rotation @ FLIP), float(np.sqrt(np.mean(misfit**2)))


@dataclass(frozen=True)
class Chain:
    """Photos and cards in one frame; those that could not be reached from the start are missing."""

    poses: dict[int, Pose]
    cards: dict[int, CardState]


def flat_view(
    camera: Camera, seen: Mapping[int, CardView], face_height_mm: float
) -> tuple[Pose, dict[int, CardState]] | None:
    """One photo's pose over the plane its cards share, and the cards on it; None where no pose fits.

    The cards are taken as flat on one plane. Several cards some way apart fix the plane's tilt far better than one,
    so all of them are adjusted together before photos are put side by side.
    """
    largest = max(seen, key=lambda n: float(np.linalg.norm(np.ptp(seen[n].px, axis=0))))
    view = seen[largest]
    try:
        pose, _ = pose_from_plane(camera, view.board_mm * np.array([1.0, -1.0]), view.px)
    except (ValueError, cv2.error):
        return None
    # The plane of the card faces stands above the concrete.
    pose = Pose(pose.rotation, pose.translation_mm - pose.rotation @ np.array([0.0, 0.0, face_height_mm]))
    numbers = sorted(seen)
    cards = [place_card(camera, pose, seen[n], face_height_mm)[0] for n in numbers]
    zero = cards[numbers.index(largest)]
    problem = Problem(
        card_seen=tuple(
            CardObservation(0, j, seen[n].board_mm, seen[n].px, START_SIGMA_PX) for j, n in enumerate(numbers)
        ),
        line_seen=(),
        taped=(),
        lens_of_photo=(0,),
        lens_prior=((camera.parameters, np.diag(np.full(LENS, 1e-10))),),
        face_height_mm=face_height_mm,
        card_middle_mm=np.mean(seen[largest].board_mm, axis=0),
        scale_sigma=1e-6,
        zero_card=numbers.index(largest),
        zero_held=(float(zero.origin_mm[1]), float(zero.rotation[1, 0])),
    )
    state = adjust(problem, State((camera,), (pose,), tuple(cards), (LineState(0.0, 0.0),), 1.0)).state
    return state.poses[0], dict(zip(numbers, state.cards, strict=True))


FlatView = tuple[Pose, dict[int, CardState]]


def chain(views: Mapping[int, FlatView], face_height_mm: float, first_card: int) -> Chain:
    """Put photos that share cards side by side on the plane of the wall, starting from ``first_card`` lying along X."""
    cards = {first_card: CardState(np.array([0.0, 0.0, face_height_mm]), FLIP.copy())}
    poses: dict[int, Pose] = {}
    while True:
        shared = {p: [n for n in view[1] if n in cards] for p, view in views.items() if p not in poses}
        best = max(shared, key=lambda p: (_spread_mm(views[p][1], shared[p]), -p), default=None)
        if best is None or not shared[best]:
            return Chain(poses, cards)
        pose, here = views[best]
        turn, shift = _onto(here, cards, shared[best])
        rotation = pose.rotation @ turn.T
        poses[best] = Pose(rotation, pose.translation_mm - rotation @ shift)
        for number, card in here.items():
            if number not in cards:
                cards[number] = CardState(turn @ card.origin_mm + shift, turn @ card.rotation, card.curl_mm)


def _spread_mm(cards: Mapping[int, CardState], numbers: list[int]) -> float:
    """How far apart the named cards reach on the plane; 0 where there is none."""
    return float(np.linalg.norm(np.ptp(_corners(cards, numbers), axis=0))) if numbers else 0.0


def _corners(cards: Mapping[int, CardState], numbers: list[int]) -> Array:
    """Where the grid corners of cards lie on the plane, (4 N, 2)."""
    box = np.array([[0.0, 0.0, 0.0], [240.0, 0.0, 0.0], [240.0, 90.0, 0.0], [0.0, 90.0, 0.0]])
    return np.concatenate([(cards[n].origin_mm + box @ cards[n].rotation.T)[:, :2] for n in numbers])


def _onto(here: Mapping[int, CardState], wall: Mapping[int, CardState], shared: list[int]) -> tuple[Array, Array]:
    """The turn (3, 3) and shift (3,) on the plane that lay a photo's cards on the wall's (Kabsch, as above)."""
    source, target = _corners(here, shared), _corners(wall, shared)
    middle_s, middle_t = source.mean(axis=0), target.mean(axis=0)
    u, _, vt = np.linalg.svd((source - middle_s).T @ (target - middle_t))
    flat = vt.T @ np.diag([1.0, np.sign(np.linalg.det(vt.T @ u.T))]) @ u.T
    turn = np.eye(3)
    turn[:2, :2] = flat
    return turn, np.append(middle_t - flat @ middle_s, 0.0)
