"""Made-up scenes with exact truth: a wall with cards, a chalk line and bolts, and what is seen of them.

``see_cards`` and ``see_line`` give what would be found in the pixels, with noise, at once and without any picture, so
that hundreds of scenes can be driven through the geometry. Pictures of scenes are drawn in ``scene_pictures``.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from itertools import pairwise
from typing import Any

import numpy as np
from numpy.typing import NDArray

from sillwright.camera import (
    Array,
    Camera,
    Pose,
    project,
    project_with_derivatives,
    rotation_from_vector,
)
from sillwright.cards import scale_card
from sillwright.outline import Bolt
from sillwright.solve.axis import AxisFit, BoltView, fit_axes
from sillwright.solve.state import (
    CARD_CURL_MM,
    CARD_HEIGHT_MM,
    CARD_TILT_RAD,
    CardObservation,
    CardState,
    LineObservation,
    LineState,
    Problem,
    State,
    card_points,
)

PHONE = Camera(4032, 3024, 3148.6, 3146.9, 2027.8, 1498.3, 0.0481, -0.0712, 0.00042, -0.00031, 0.0118)
LENS_SIGMA = np.array([1.5, 1.5, 2.0, 2.0, 1e-3, 2e-3, 5e-5, 5e-5, 1e-3])  # as a calibration of 12 photos leaves it
FLIP = np.diag([1.0, -1.0, -1.0])
CARD_MIDDLE_MM = np.array([120.0, 45.0])


@dataclass(frozen=True)
class Chalk:
    """Powder along a line: colour at its middle (BGR), sigma of its width, how much of the concrete it hides."""

    color_bgr: tuple[float, float, float] = (190.0, 90.0, 50.0)
    sigma_mm: float = 0.9
    strength: float = 0.7
    offset_mm: float = 0.0
    angle_rad: float = 0.0
    wave_mm: float = 0.0
    wave_length_mm: float = 400.0

    def middle_mm(self, along_mm: Array) -> Array:
        """How far the middle of the powder lies to the left of the straight line."""
        return self.wave_mm * np.sin(2.0 * np.pi * along_mm / self.wave_length_mm)


@dataclass(frozen=True)
class Stain:
    """A soft round spot of colour on the concrete."""

    x_mm: float
    y_mm: float
    radius_mm: float
    color_bgr: tuple[float, float, float] = (70.0, 95.0, 150.0)


@dataclass(frozen=True)
class Bar:
    """A round bar: chamfered at 45 degrees at its tip, with rings of shade round it every ``repeat_mm``.

    hex_rad : where given, a six-sided bar turned so, as wide across its flats as it would be through
    """

    bolt: Bolt
    chamfer_mm: float = 0.0
    repeat_mm: float = 0.0
    hex_rad: float | None = None


@dataclass(frozen=True)
class Painted:
    """A bar that does not stand: painted on the concrete as a camera at ``seen_from_mm`` would see it stand."""

    bar: Bar
    seen_from_mm: tuple[float, float, float]


@dataclass(frozen=True)
class Stripe:
    """A straight dark bar lying flat, as paint or a shadow does: ``radius_mm`` to each side, rounded at its ends."""

    from_mm: tuple[float, float]
    to_mm: tuple[float, float]
    radius_mm: float
    shade: float = 0.45
    soft_mm: float = 0.6


@dataclass(frozen=True)
class Scene:
    """The truth, in the wall frame of ``solve.adjust``: right-handed, X along the line, first zero mark at X = 0."""

    camera: Camera
    poses: tuple[Pose, ...]
    numbers: tuple[int, ...] = ()
    cards: tuple[CardState, ...] = ()
    scale: float = 1.0
    face_mm: float = 0.3
    chalk: tuple[Chalk, ...] = ()
    stains: tuple[Stain, ...] = ()
    bars: tuple[Bar, ...] = ()
    wall_mm: tuple[float, float] | None = field(default=None)
    painted: tuple[Painted, ...] = ()
    stripes: tuple[Stripe, ...] = ()


def overhead(x_mm: float, y_mm: float, z_mm: float, *, lean_deg: tuple[float, float], turn_deg: float = 0.0) -> Pose:
    """A phone held over the wall at a place, leaned about X and Y from looking straight down, turned about Z."""
    lean = rotation_from_vector(np.radians(np.array([lean_deg[0], lean_deg[1], 0.0])))
    rotation = FLIP @ lean @ rotation_from_vector(np.radians(np.array([0.0, 0.0, turn_deg])))
    return Pose(rotation, -rotation @ np.array([x_mm, y_mm, z_mm]))


def lying(x_mm: float, y_mm: float, z_mm: float, *, turn_deg: float = 0.0, tilt_rad: Array | None = None) -> CardState:
    """A card with its zero mark at a place, turned about Z and tilted a little about X and Y."""
    tilt = np.zeros(2) if tilt_rad is None else tilt_rad
    turn = rotation_from_vector(np.append(tilt, 0.0)) @ rotation_from_vector(np.radians([0.0, 0.0, turn_deg]))
    return CardState(np.array([x_mm, y_mm, z_mm]), turn @ FLIP)


def draw_scene(seed: int, *, spread: float = 1.0, scale_sigma: float = 0.0012, wave_mm: float = 0.0) -> Scene:
    """A scene as the priors of ``solve.adjust`` say scenes are; ``spread`` scales how uneven the cards lie.

    Two to five cards 650 to 950 mm apart, some of them head over heels, and photos that each show two, as somebody
    takes them who walks along the wall with the phone at arm's length over it.
    """
    rng = np.random.default_rng(seed)
    count = int(rng.integers(2, 6))
    face = float(rng.choice([0.3, 3.0]))
    camera = PHONE.with_parameters(PHONE.parameters + LENS_SIGMA * rng.standard_normal(9))
    x = np.concatenate([[0.0], np.cumsum(rng.uniform(650.0, 950.0, count - 1))])
    scale = 1.0 + scale_sigma * float(rng.standard_normal())
    cards = []
    for k in range(count):
        turned = k > 0 and rng.random() < 0.3
        tilt = CARD_TILT_RAD * spread * rng.standard_normal(2)
        card = lying(0.0, 0.0, 0.0, turn_deg=rng.normal(0.0, 3.0) + (180.0 if turned else 0.0), tilt_rad=tilt)
        zero = [x[k] + 240.0 * turned, rng.uniform(60.0, 120.0) - 90.0 * turned, 0.0]
        arm = card.rotation @ np.append(scale * CARD_MIDDLE_MM, 0.0)
        zero[2] = face + CARD_HEIGHT_MM * spread * float(rng.standard_normal()) - float(arm[2])
        curl = CARD_CURL_MM * spread * float(rng.standard_normal())
        cards.append(replace(card, origin_mm=np.array(zero), curl_mm=curl))
    poses = []
    for k in [*range(count - 1), *(int(k) for k in rng.integers(0, count - 1, 1 + count // 3))]:
        middle = 0.5 * (x[k] + x[k + 1]) + 120.0
        lean = (rng.normal(4.0, 4.0), rng.normal(0.0, 3.0))
        place = (middle + rng.normal(0.0, 30.0), rng.normal(-10.0, 60.0), rng.uniform(1150.0, 1450.0))
        poses.append(overhead(*place, lean_deg=lean, turn_deg=rng.normal(0.0, 4.0) + rng.choice([0.0, 180.0])))
    bars = tuple(Bar(draw_bolt(rng, float(at))) for at in rng.uniform(0.0, x[-1] + 240.0, 3))
    chalk = (Chalk(wave_mm=wave_mm),)
    return Scene(camera, tuple(poses), tuple(range(1, count + 1)), tuple(cards), scale, face, chalk, bars=bars)


def draw_bolt(rng: np.random.Generator, x_mm: float, radius_mm: float = 6.35) -> Bolt:
    """A bolt about where a sill bolt stands, leaning up to a few degrees."""
    base = np.array([x_mm, rng.normal(70.0, 6.0), 0.0])
    height = rng.uniform(55.0, 115.0)
    return Bolt(base, base + np.append(height * np.tan(np.radians(rng.normal(0.0, 2.5, 2))), height), radius_mm)


def with_painted_bolts(scene: Scene, rng: np.random.Generator) -> Scene:
    """Between cards somebody painted a bolt twice, as each of the two nearest photos would see it stand."""
    taken = [float(bar.bolt.base_mm[0]) for bar in scene.bars]
    painted: list[Painted] = []
    for one, other in pairwise(scene.cards):
        places = np.arange(one.origin_mm[0] + 270.0, other.origin_mm[0] - 30.0, 20.0)
        free = [x for x in places if all(abs(x - at) > 110.0 for at in taken)]
        if free:
            x, like = float(rng.choice(free)), scene.bars[0]
            bar = replace(like, bolt=draw_bolt(rng, x, like.bolt.radius_mm))
            nearest = sorted(scene.poses, key=lambda pose: abs(float(pose.centre_mm[0]) - x))[:2]
            painted += [Painted(bar, tuple(pose.centre_mm)) for pose in nearest]
    return replace(scene, painted=tuple(painted))


def inside(camera: Camera, px: Array, border_px: float = 20.0) -> NDArray[np.bool_]:
    """Which pixels (N, 2) lie in the picture, clear of its border."""
    low, high = border_px, np.array([camera.width_px, camera.height_px]) - border_px
    return np.isfinite(px).all(axis=1) & (px > low).all(axis=1) & (px < high).all(axis=1)


def see_cards(scene: Scene, rng: np.random.Generator, sigma_px: float = 0.08) -> tuple[CardObservation, ...]:
    """Every card that is whole in a photo, its corners with independent noise."""
    seen = []
    for i, pose in enumerate(scene.poses):
        for j, card in enumerate(scene.cards):
            board = scale_card(scene.numbers[j]).corners_mm()
            px = project(scene.camera, pose, card_points(card, scene.scale, board))
            if inside(scene.camera, px).all():
                noise = sigma_px * rng.standard_normal(px.shape)
                seen.append(CardObservation(i, j, board, px + noise, sigma_px))
    return tuple(seen)


def see_line(
    scene: Scene,
    rng: np.random.Generator,
    sigma_mm: float = 0.25,
    stated_mm: float | None = None,
    step_mm: float = 20.0,
) -> tuple[LineObservation, ...]:
    """The first chalk line in every photo: points with noise across it; ``stated_mm`` is the sigma said of them."""
    chalk, seen = scene.chalk[0], []
    along = np.array([np.cos(chalk.angle_rad), np.sin(chalk.angle_rad), 0.0])
    left = np.array([-along[1], along[0], 0.0])
    for i, pose in enumerate(scene.poses):
        x = np.arange(-1500.0, max(6000.0, *(float(c.origin_mm[0]) + 1500.0 for c in scene.cards)), step_mm)
        straight = np.outer(x, along) + chalk.offset_mm * left
        inside_picture = inside(scene.camera, project(scene.camera, pose, straight))
        x, straight = x[inside_picture], straight[inside_picture]
        px, by_point, _ = project_with_derivatives(scene.camera, pose.to_camera(straight))
        tangent, across = ((by_point @ (pose.rotation @ v)) for v in (along, left))
        normal = np.column_stack([-tangent[:, 1], tangent[:, 0]]) / np.linalg.norm(tangent, axis=1, keepdims=True)
        px_per_mm = np.sum(across * normal, axis=1)
        off_mm = chalk.middle_mm(x) + sigma_mm * rng.standard_normal(len(x))
        sigma_px = np.abs(px_per_mm) * (sigma_mm if stated_mm is None else stated_mm)
        seen.append(LineObservation(i, 0, px + (off_mm * px_per_mm)[:, None] * normal, sigma_px))
    return tuple(seen)


def problem_of(scene: Scene, cards: tuple[CardObservation, ...], lines: tuple[LineObservation, ...]) -> Problem:
    """What the adjustment is given of a scene: a lens known as calibration leaves it, and nothing taped."""
    return Problem(
        card_seen=cards,
        line_seen=lines,
        taped=(),
        lens_of_photo=(0,) * len(scene.poses),
        lens_prior=((PHONE.parameters, np.diag(LENS_SIGMA**2)),),
        face_height_mm=scene.face_mm,
        card_middle_mm=CARD_MIDDLE_MM,
    )


def truth_of(scene: Scene) -> State:
    """The scene as a state of the adjustment."""
    lines = (LineState(0.0, 0.0), *(LineState(c.angle_rad, c.offset_mm) for c in scene.chalk[1:]))
    return State((scene.camera,), scene.poses, scene.cards, lines, scene.scale)


def axis_parameters(bolt: Bolt) -> Array:
    """The (7,) of ``solve.axis.AxisFit``."""
    return np.array([*bolt.base_mm[:2], *bolt.tip_mm, bolt.radius_mm, 0.0])


def long_run(photos: int, seed: int = 0) -> Scene:
    """A run of so many photos, each of the two cards beside it, as somebody takes them who walks along a wall."""
    rng = np.random.default_rng(seed)
    x = np.concatenate([[0.0], np.cumsum(rng.uniform(650.0, 900.0, photos))])
    cards = []
    for at in x:
        tilt = CARD_TILT_RAD * rng.standard_normal(2)
        card = lying(float(at), rng.uniform(60.0, 120.0), 0.0, turn_deg=rng.normal(0.0, 3.0), tilt_rad=tilt)
        arm = card.rotation @ np.append(CARD_MIDDLE_MM, 0.0)
        z = 0.3 + CARD_HEIGHT_MM * float(rng.standard_normal()) - float(arm[2])
        cards.append(replace(card, origin_mm=np.array([card.origin_mm[0], card.origin_mm[1], z])))
    poses = []
    for k in range(photos):
        middle = 0.5 * (x[k] + x[k + 1]) + rng.normal(120.0, 30.0)
        place = (middle, rng.normal(-10.0, 60.0), rng.uniform(1150.0, 1450.0))
        lean = (rng.normal(4.0, 4.0), rng.normal(0.0, 3.0))
        poses.append(overhead(*place, lean_deg=lean, turn_deg=rng.normal(0.0, 4.0)))
    # Numbers come round again, since a job has 20 cards: here they are told apart by their place in the scene.
    numbers = tuple(1 + k % 20 for k in range(len(cards)))
    return Scene(PHONE, tuple(poses), numbers, tuple(cards), 1.0, 0.3, (Chalk(),))


def shaken(state: State, rng: np.random.Generator) -> State:
    """A state whose photos stand some millimetres and milliradians from where they were, as first poses do."""
    poses = []
    for pose in state.poses:
        turn = rotation_from_vector(rng.normal(0.0, 2e-3, 3))
        poses.append(Pose(turn @ pose.rotation, pose.translation_mm + rng.normal(0.0, 3.0, 3)))
    return replace(state, poses=tuple(poses))


def fit_axis(views: Sequence[BoltView], start: Array, radius_mm: float, **known: Any) -> AxisFit:
    """The fit from one start (7,)."""
    (fit,) = fit_axes(views, start[None], radius_mm, **known)
    return fit
