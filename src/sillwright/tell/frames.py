"""From the record to points: cameras and poses, a card's outline, a bolt's tip, and which way up a run is drawn.

Every drawing shows a run from above with stations rising to the right. Then the plate's side of the chalk line (+Y)
lies up the page where the run frame is right-handed and down the page where it is left-handed; nothing is mirrored.
"""

from __future__ import annotations

import math

import numpy as np

from sillwright.camera import Array, Camera, Pose
from sillwright.cards import CARD_MARGIN_MM, scale_card
from sillwright.survey import BoltRecord, CameraRecord, CardRecord, RunRecord, ViewRecord

_FAR_BOLT_MM = 100.0  # what comes out farther off the wall than this is no bolt, and would shrink the drawing


def camera_of(record: CameraRecord) -> Camera:
    """The lens of a photo record."""
    matrix, distortion = record.matrix_px, record.distortion_k1_k2_p1_p2_k3
    return Camera(
        record.width_px, record.height_px, matrix[0][0], matrix[1][1], matrix[0][2], matrix[1][2], *distortion[:5]
    )


def pose_of(view: ViewRecord) -> Pose:
    """How a photo sees a run, with X as station."""
    return Pose(np.array(view.rotation, dtype=float), np.array(view.translation_mm, dtype=float))


def zero_card(run: RunRecord) -> int | None:
    """The number of the card whose zero mark is station 0; None where the run has no cards."""
    return min((card.number for card in run.cards), default=None)


def card_outline_mm(card: CardRecord, left_handed_run: bool, margin_mm: float = CARD_MARGIN_MM) -> Array:
    """The paper's four corners in the run frame (X as station), clockwise in the print from the zero mark, (4, 2).

    Seen from above the print's y axis lies a quarter turn clockwise from its x axis, which in a left-handed run frame
    is a turn from X toward Y.
    """
    spec = scale_card(card.number)
    turn = math.radians(card.turn_deg)
    along = np.array([math.cos(turn), math.sin(turn)])
    down = np.array([-along[1], along[0]]) * (1.0 if left_handed_run else -1.0)
    low_mm, high_x_mm, high_y_mm = -margin_mm, spec.width_mm + margin_mm, spec.height_mm + margin_mm
    corners = [(low_mm, low_mm), (high_x_mm, low_mm), (high_x_mm, high_y_mm), (low_mm, high_y_mm)]
    zero_mark_mm = np.array([card.station_mm, card.setback_mm])
    return np.array([zero_mark_mm + x_mm * along + y_mm * down for x_mm, y_mm in corners])


def bolt_base_mm(bolt: BoltRecord) -> Array | None:
    """Where the axis meets the concrete, (3,) with X as station; None where it is not given."""
    if bolt.station_mm is None or bolt.setback_mm is None:
        return None
    return np.array([bolt.station_mm, bolt.setback_mm, 0.0])


def bolt_tip_mm(bolt: BoltRecord) -> Array | None:
    """The tip, (3,) with X as station; None where lean or height is not given."""
    base_mm = bolt_base_mm(bolt)
    if base_mm is None or bolt.lean_along_mm is None or bolt.lean_across_mm is None or bolt.stickup_mm is None:
        return None
    level_mm = math.hypot(bolt.lean_along_mm, bolt.lean_across_mm)
    height_mm = math.sqrt(max(bolt.stickup_mm**2 - level_mm**2, 0.0))
    return np.asarray(base_mm + np.array([bolt.lean_along_mm, bolt.lean_across_mm, height_mm]))


def reach_mm(run: RunRecord, left_handed_run: bool) -> tuple[float, float]:
    """The lowest and highest station of the run's cards and bolts (a metre from zero where it has none)."""
    stations = [bolt.station_mm for bolt in run.bolts if bolt.station_mm is not None]
    for card in run.cards:
        stations += [float(x_mm) for x_mm in card_outline_mm(card, left_handed_run)[:, 0]]
    return (min(stations), max(stations)) if stations else (0.0, 1000.0)


def setback_span_mm(run: RunRecord, left_handed_run: bool) -> tuple[float, float]:
    """The lowest and highest setback a drawing of the run must hold: line, plate, wall edges, cards and bolts."""
    across = [0.0, run.plate_width_mm]
    for card in run.cards:
        across += [float(y_mm) for y_mm in card_outline_mm(card, left_handed_run)[:, 1]]
    stations = reach_mm(run, left_handed_run)
    across += [edge.setback_at_zero_mm + edge.slope * x_mm for edge in run.edges for x_mm in stations]
    beyond = (min(across) - _FAR_BOLT_MM, max(across) + _FAR_BOLT_MM)
    across += [b.setback_mm for b in run.bolts if b.setback_mm is not None and beyond[0] < b.setback_mm < beyond[1]]
    return min(across), max(across)
