"""First places: a photo's pose from one flat card, cards and photos chained into one wall frame."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import cv2
import numpy as np

from sillwright.camera import Array, Camera, Pose, ideal_from_pixels, meet_plane, project
from sillwright.solve.adjust import CardState

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
    ideal = ideal_from_pixels(camera, px)
    count, turns, shifts, _ = cv2.solvePnPGeneric(
        points, ideal[:, None, :], np.eye(3), np.zeros(5), flags=cv2.SOLVEPNP_IPPE
    )
    best: tuple[Pose, float] | None = None
    for turn, shift in zip(turns[:count], shifts[:count], strict=True):
        turn, shift = cv2.solvePnPRefineLM(points, ideal[:, None, :], np.eye(3), np.zeros(5), turn, shift)
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


def chain(
    cameras: Mapping[int, Camera], seen: Mapping[tuple[int, int], CardView], face_height_mm: float, first_card: int
) -> Chain:
    """Put photos and cards that share cards into one frame, starting from ``first_card`` lying along X.

    Parameters
    ----------
    cameras : by photo
    seen : by (photo, card number)
    """
    cards = {first_card: CardState(np.array([0.0, 0.0, face_height_mm]), FLIP.copy())}
    poses: dict[int, Pose] = {}
    waiting = {photo for photo, _ in seen}
    while True:
        best = max(waiting, key=lambda p: _known_spread(p, seen, cards), default=None)
        if best is None or _known_spread(best, seen, cards) == 0.0:
            return Chain(poses, cards)
        waiting.discard(best)
        flat, px = [], []
        for (photo, number), view in seen.items():
            if photo == best and number in cards:
                card = cards[number]
                local = np.column_stack([view.board_mm, np.zeros(len(view.px))])
                flat.append((card.origin_mm + local @ card.rotation.T)[:, :2])
                px.append(view.px)
        try:
            pose, _ = pose_from_plane(cameras[best], np.concatenate(flat), np.concatenate(px))
        except (ValueError, cv2.error):
            continue
        # The plane of the card faces stands above the concrete.
        poses[best] = Pose(pose.rotation, pose.translation_mm - pose.rotation @ np.array([0.0, 0.0, face_height_mm]))
        for (photo, number), view in seen.items():
            if photo == best and number not in cards:
                cards[number], _ = place_card(cameras[best], poses[best], view, face_height_mm)


def _known_spread(photo: int, seen: Mapping[tuple[int, int], CardView], cards: Mapping[int, CardState]) -> float:
    """How wide the photo's already placed corners spread over the picture, px; 0 where there is none."""
    known = [view.px for (p, number), view in seen.items() if p == photo and number in cards]
    return float(np.linalg.norm(np.ptp(np.concatenate(known), axis=0))) if known else 0.0
