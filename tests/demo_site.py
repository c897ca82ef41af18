"""The truth of the demo job: two walls that meet at 97 degrees, what stands and lies on them, and where the phone was.

World frame: right-handed, Z up, Z = 0 the flat top of the concrete. X runs along the north wall's chalk line, from the
zero mark of card 1 at X = 0; Y is positive toward the plate, which is the outside. Each wall has its run frame, turned
and shifted from the world's; both are right-handed, since both plates lie to the left of who walks up the stations.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from scenes import PHONE, Bar, Scene, inside, lying, overhead
from sillwright.camera import Array, Pose, project, rotation_from_vector
from sillwright.cards import CARD_MARGIN_MM, PAPER_THICKNESS_MM, scale_card
from sillwright.fasteners import bolt_size
from sillwright.lengths import MM_PER_INCH
from sillwright.outline import Bolt
from sillwright.solve.state import CardState, card_points

CORNER_DEG = 97.0
CROSSING_MM = (4760.0, -430.0)  # its station on north and on east
WALL_Y_MM = (-57.0, 146.0)  # the concrete's inner and outer edge from the chalk line: 8 in thick
NORTH_BEGINS_MM, EAST_ENDS_MM = -304.8, 1447.8  # 1 ft back, and 4 ft 9 in; beyond, the wall drops for doors
DROP_MM = 140.0
FALL = (0.00085, -0.00100)  # the top falls so many mm a mm of world X, and rises toward Y: out of level, and flat
SIXTEENTH_MM = MM_PER_INCH / 16.0


@dataclass(frozen=True)
class StandingBolt:
    """A bolt in its run's frame: where it leaves the concrete, how it leans, and how far it stands up along itself."""

    station_mm: float
    setback_mm: float
    lean_along_deg: float
    lean_across_deg: float
    stickup_mm: float


@dataclass(frozen=True)
class Wall:
    """One run. ``cards``: number, station and setback of its zero mark, and turn in degrees."""

    name: str
    bolts: tuple[StandingBolt, ...]
    cards: tuple[tuple[int, float, float, float], ...]
    turn_deg: float
    origin_mm: tuple[float, float]

    def world(self, points_mm: Array) -> Array:
        """Points (N, 3) of the run frame in the world."""
        return points_mm @ self._rotation.T + np.append(self.origin_mm, 0.0)

    @property
    def _rotation(self) -> Array:
        return rotation_from_vector(np.radians([0.0, 0.0, self.turn_deg]))

    def frame(self, x_mm: Array, y_mm: Array) -> tuple[Array, Array]:
        """Stations and setbacks of world places."""
        turn = np.radians(self.turn_deg)
        x, y = x_mm - self.origin_mm[0], y_mm - self.origin_mm[1]
        return np.cos(turn) * x + np.sin(turn) * y, np.cos(turn) * y - np.sin(turn) * x

    def bars(self) -> tuple[Bar, ...]:
        """Its bolts as they stand in the world."""
        size = bolt_size("1/2 in")
        depth_mm, radius_mm = 0.6134 * size.pitch_mm, size.diameter_mm / 2.0
        return tuple(
            Bar(Bolt(*self.world(np.array([_base(b), _tip(b)])), radius_mm), depth_mm, size.pitch_mm)
            for b in self.bolts
        )

    def card_states(self, rng: np.random.Generator) -> tuple[CardState, ...]:
        """Its cards as they lie in the world, on concrete that is flat to 0.2 mm under them."""
        states = []
        for _, station_mm, setback_mm, turn_deg in self.cards:
            card = lying(0.0, 0.0, 0.0, turn_deg=turn_deg, tilt_rad=0.0008 * rng.standard_normal(2))
            high_mm = PAPER_THICKNESS_MM + 0.1 * abs(rng.standard_normal())
            arm_mm = card.rotation @ np.array([120.0, 45.0, 0.0])
            origin_mm = self.world(np.array([[station_mm, setback_mm, high_mm - arm_mm[2]]]))[0]
            curl_mm = 0.15 * abs(rng.standard_normal())
            states.append(CardState(origin_mm, self._rotation @ card.rotation, curl_mm))
        return tuple(states)


def _base(bolt: StandingBolt) -> Array:
    return np.array([bolt.station_mm, bolt.setback_mm, 0.0])


def _tip(bolt: StandingBolt) -> Array:
    way = np.append(np.tan(np.radians([bolt.lean_along_deg, bolt.lean_across_deg])), 1.0)
    return _base(bolt) + bolt.stickup_mm * way / np.linalg.norm(way)


_EAST_DEG = CORNER_DEG - 180.0
_EAST_WAY = np.array([np.cos(np.radians(_EAST_DEG)), np.sin(np.radians(_EAST_DEG))])
_EAST_ORIGIN = np.array([CROSSING_MM[0], 0.0]) - CROSSING_MM[1] * _EAST_WAY

NORTH = Wall(
    "north",
    (
        StandingBolt(-71.3, 68.4, 0.5, -0.3, 106.2),
        StandingBolt(1556.8, 73.9, -0.4, 0.7, 108.9),
        StandingBolt(2014.2, 66.1, 0.9, 0.2, 104.7),
        StandingBolt(3296.5, 71.7, 3.4, 5.0, 107.3),
        StandingBolt(4597.9, 75.2, -0.6, -0.5, 110.4),
    ),
    (
        (1, 0.0, 117.5, 0.8),
        (2, 801.4, 113.2, -1.1),
        (3, 1688.0, 118.6, 1.4),
        (4, 2476.3, 115.1, -0.6),
        (5, 3437.9, 117.9, -1.3),
        (6, 4151.2, 116.4, 0.9),
    ),
    0.0,
    (0.0, 0.0),
)
EAST = Wall(
    "east",
    (
        StandingBolt(-262.4, 69.3, -0.7, 0.4, 105.1),
        StandingBolt(512.6, 74.8, 0.3, 0.8, 109.6),
        StandingBolt(1234.1, 67.2, 0.8, -0.6, 103.8),
    ),
    ((7, 0.0, 116.8, -0.9), (8, 762.5, 118.1, 1.2)),
    _EAST_DEG,
    (float(_EAST_ORIGIN[0]), float(_EAST_ORIGIN[1])),
)
WALLS = (NORTH, EAST)


@dataclass(frozen=True)
class Shot:
    """One photo: its file, how a viewer is to turn it, its pose."""

    file: str
    orientation: int
    pose: Pose


def _along(wall: Wall, x_mm: float, y_mm: float, z_mm: float, lean: tuple[float, float], turn_deg: float) -> Pose:
    """A phone over a wall, at a place in the run's frame, leaned about its axes and turned about Z from them."""
    x, y, _ = wall.world(np.array([[x_mm, y_mm, 0.0]]))[0]
    way = np.sign(np.cos(np.radians(turn_deg)))  # leans are of the phone, and some photos are taken head over heels
    leaned = (float(way * lean[0]), float(way * lean[1]))
    return overhead(float(x), float(y), z_mm, lean_deg=leaned, turn_deg=turn_deg - wall.turn_deg)


_BISECTOR_DEG = CORNER_DEG / 2.0 - 7.0  # the turn that shows the outer corner at the top, both walls running down

SHOTS = (
    Shot("north/IMG_2041.jpg", 1, _along(NORTH, 228.0, -62.0, 1428.0, (-3.1, 1.2), 1.6)),
    Shot("north/IMG_2042.jpg", 6, _along(NORTH, 742.0, -48.0, 1446.0, (-2.2, -0.4), 178.9)),
    Shot("north/IMG_2043.jpg", 1, _along(NORTH, 1440.0, -75.0, 1402.0, (-4.0, -1.3), -2.3)),
    Shot("north/IMG_2044.jpg", 8, _along(NORTH, 2130.0, -55.0, 1431.0, (-1.8, 0.9), 181.7)),
    Shot("north/IMG_2045.jpg", 3, _along(NORTH, 3025.0, -70.0, 1424.0, (-3.5, -0.6), 1.1)),
    Shot("north/IMG_2046.jpg", 6, _along(NORTH, 3835.0, -58.0, 1439.0, (-2.6, 1.0), -1.4)),
    Shot("corner/IMG_2047.jpg", 1, overhead(4478.0, -330.0, 1436.0, lean_deg=(1.0, -1.5), turn_deg=_BISECTOR_DEG)),
    Shot("corner/IMG_2048.jpg", 6, overhead(4545.0, -265.0, 1442.0, lean_deg=(-1.2, 1.4), turn_deg=131.0)),
    Shot("corner/IMG_2049.jpg", 3, overhead(4640.0, -420.0, 1455.0, lean_deg=(2.4, 0.8), turn_deg=224.0)),
    Shot("east/IMG_2050.jpg", 8, _along(EAST, 436.0, -66.0, 1421.0, (-2.9, -0.8), 179.2)),
    Shot("east/IMG_2051.jpg", 1, _along(EAST, 826.0, -52.0, 1424.0, (-2.0, 1.1), 1.9)),
)  # fmt: skip


def scene() -> Scene:
    """Everything that is drawn as geometry; what lies flat besides the cards is the look's."""
    rng = np.random.default_rng(12)
    cards = tuple(state for wall in WALLS for state in wall.card_states(rng))
    numbers = tuple(card[0] for wall in WALLS for card in wall.cards)
    bars = tuple(bar for wall in WALLS for bar in wall.bars())
    return Scene(PHONE, tuple(shot.pose for shot in SHOTS), numbers, cards, face_mm=PAPER_THICKNESS_MM, bars=bars)


def off_wall_mm(x_mm: Array, y_mm: Array) -> tuple[Array, Array]:
    """How far world places lie off the wall on either side (negative: on it), and past its ends (negative: within)."""
    (xn, yn), (xe, ye) = NORTH.frame(x_mm, y_mm), EAST.frame(x_mm, y_mm)
    low, high = WALL_Y_MM
    outward = np.maximum(yn, ye)
    return np.maximum(outward - high, low - outward), np.maximum(NORTH_BEGINS_MM - xn, xe - EAST_ENDS_MM)


def inward_mm(x_mm: Array, y_mm: Array) -> Array:
    """How far world places lie from the chalk lines toward the inside of the house."""
    return -np.maximum(NORTH.frame(x_mm, y_mm)[1], EAST.frame(x_mm, y_mm)[1])


def _places(wall: Wall, states: dict[int, CardState]) -> list[dict[str, object]]:
    """Cards as truth.json gives them; a tilted card's turn is that of its long side seen from above."""
    found: list[dict[str, object]] = []
    for number, *_ in wall.cards:
        state = states[number]
        station, setback = (float(v[0]) for v in wall.frame(state.origin_mm[:1], state.origin_mm[1:2]))
        along = state.rotation[:2, 0]
        turn = (np.degrees(np.arctan2(along[1], along[0])) - wall.turn_deg + 180.0) % 360.0 - 180.0
        found.append({"number": number, "station_mm": _mm(station), "setback_mm": _mm(setback), "turn_deg": _mm(turn)})
    return found


def _mm(value: float) -> float:
    return round(float(value), 4)


def whole(site: Scene, points_mm: Array, photo: int, border_px: float = 4.0) -> bool:
    """Whether all of the points lie in a photo."""
    return bool(inside(site.camera, project(site.camera, site.poses[photo], points_mm), border_px).all())


def _round_about(bolt: Bolt) -> Array:
    reach = bolt.radius_mm * np.array([[1, 1, 0], [1, -1, 0], [-1, 1, 0], [-1, -1, 0]])
    return np.concatenate([bolt.base_mm + reach, bolt.tip_mm + reach])


def _bolts(site: Scene, wall: Wall, first: int) -> list[dict[str, object]]:
    """Bolts as truth.json gives them, named from B``first`` on."""
    found: list[dict[str, object]] = []
    for k, (bolt, bar) in enumerate(zip(wall.bolts, wall.bars(), strict=True)):
        lean_mm = _tip(bolt) - _base(bolt)
        shown = [shot.file for photo, shot in enumerate(SHOTS) if whole(site, _round_about(bar.bolt), photo)]
        found.append(
            {
                "id": f"B{first + k}", "station_mm": _mm(bolt.station_mm), "setback_mm": _mm(bolt.setback_mm),
                "lean_along_mm": _mm(lean_mm[0]), "lean_across_mm": _mm(lean_mm[1]),
                "lean_deg": _mm(np.degrees(np.arccos(lean_mm[2] / bolt.stickup_mm))),
                "stickup_mm": _mm(bolt.stickup_mm), "diameter_mm": 2.0 * bar.bolt.radius_mm,
                "has_nut": False, "material": "zinc", "bent": False, "photos": shown,
            }
        )  # fmt: skip
    return found


def truth() -> dict[str, object]:
    """truth.json: places of cards and bolts in their run's frame, the corner, and what each photo shows whole."""
    site = scene()
    states = dict(zip(site.numbers, site.cards, strict=True))
    low, wide, deep = -CARD_MARGIN_MM, scale_card(1).width_mm + CARD_MARGIN_MM, scale_card(1).height_mm + CARD_MARGIN_MM
    paper = np.array([[low, low], [wide, low], [wide, deep], [low, deep]])
    bolts = {"north": _bolts(site, NORTH, 1), "east": _bolts(site, EAST, 1 + len(NORTH.bolts))}
    return {
        "units": "mm, degrees",
        "made": "rendered; exact truth",
        "runs": [{"name": w.name, "cards": _places(w, states), "bolts": bolts[w.name]} for w in WALLS],
        "corner": {
            "runs": [wall.name for wall in WALLS], "angle_deg": CORNER_DEG,
            "station_mm": dict(zip((wall.name for wall in WALLS), CROSSING_MM, strict=True)),
        },
        "photos": [
            {
                "file": shot.file,
                "exif_orientation": shot.orientation,
                "cards_whole": [n for n, s in states.items() if whole(site, card_points(s, site.scale, paper), photo)],
                "bolts_whole": [b["id"] for run in bolts.values() for b in run if shot.file in b["photos"]],
            }
            for photo, shot in enumerate(SHOTS)
        ],
    }  # fmt: skip


def taped_mm(wall: Wall) -> float:
    """What a tape reads from the zero mark of a wall's first card to that of its last, to a sixteenth."""
    site = scene()
    states = dict(zip(site.numbers, site.cards, strict=True))
    first, last = states[wall.cards[0][0]], states[wall.cards[-1][0]]
    return round(float(np.linalg.norm(last.origin_mm - first.origin_mm)) / SIXTEENTH_MM) * SIXTEENTH_MM


def rod_mm(wall: Wall, station_mm: float, at_zero_mm: float) -> float:
    """What a rod on the concrete reads under a level line of sight, to a sixteenth: more where it is lower."""
    x, y, _ = wall.world(np.array([[station_mm, 70.0, 0.0]]))[0]
    return round((at_zero_mm + FALL[0] * x + FALL[1] * y) / SIXTEENTH_MM) * SIXTEENTH_MM
