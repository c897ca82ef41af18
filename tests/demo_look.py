"""How the demo job's site looks: concrete and its faces, soil, crushed stone, chalk, paper and zinc, in even daylight.

Everything flat is painted on the plane it lies in, so that photos from different places agree about it. The textures
are made from a seed and repeat: the concrete's fine grain every metre, the ground every two.
"""

from __future__ import annotations

from functools import cache

import cv2
import numpy as np
from numpy.typing import NDArray

from demo_site import CROSSING_MM, DROP_MM, EAST, EAST_ENDS_MM, NORTH, NORTH_BEGINS_MM, Wall, inward_mm, off_wall_mm
from scene_pictures import Look, print_shade
from scenes import Bar, Scene
from sillwright.camera import Array
from sillwright.cards import CARD_MARGIN_MM, BoardSpec, scale_card

Picture = NDArray[np.float32]

SIZE = 2048  # texels a side of every texture
FINE_MM, WIDE_MM, EARTH_MM = 0.5, 2.4, 1.0  # a texel of the concrete's grain, of its stains, of the ground
SOIL_DEEP_MM, STONE_DEEP_MM = 170.0, 390.0  # how far the ground lies below the wall's top, inside and outside
SUN = np.array([0.40, 0.52, 0.755])  # toward the brightest part of a hazy sky
SUN_SHARE = 0.34
NEAR_WALL_MM = 500.0  # farther out the wall neither hides nor shades the ground
SHADE_PER_MM = -SUN[:2] / SUN[2]  # how far a shadow runs for each mm of height
CHALK_BGR = np.array([172.0, 92.0, 48.0])
CONCRETE_BGR = np.array([164.0, 170.0, 172.0])
PAPER_BGR, INK_BGR = np.array([222.0, 228.0, 230.0]), np.array([44.0, 42.0, 41.0])
GHOST_MM = (2700.0, 3130.0)  # where north's line was snapped twice
NAIL_MM = EAST.world(np.array([[350.0, 40.0, 0.0]]))[0]
WORDS_MM = 0.1  # a texel of the words on a card


def noise(seed: int, wave_px: float, across_px: float | None = None) -> Picture:
    """Noise that repeats, of zero mean and unit deviation, soft over so many texels (along x, and across if given)."""
    rng = np.random.default_rng(seed)
    fx, fy = np.fft.rfftfreq(SIZE)[None, :], np.fft.fftfreq(SIZE)[:, None]
    soft = np.exp(-2.0 * np.pi**2 * ((fx * wave_px) ** 2 + (fy * (across_px or wave_px)) ** 2))
    out = np.fft.irfft2(np.fft.rfft2(rng.standard_normal((SIZE, SIZE))) * soft)
    return ((out - out.mean()) / out.std()).astype(np.float32)


def sample(texture: Picture, x_mm: Array, y_mm: Array, texel_mm: float) -> Picture:
    """A repeating texture at places (N,): (N,) or (N, 3)."""
    width = 1024  # OpenCV maps no row or column beyond 32767
    count = len(x_mm)
    maps = []
    for at in (x_mm, y_mm):
        padded = np.zeros(max(1, -(-count // width)) * width, np.float32)
        padded[:count] = np.mod(at / texel_mm, SIZE)
        maps.append(padded.reshape(-1, width))
    out = cv2.remap(texture, *maps, cv2.INTER_LINEAR, borderMode=cv2.BORDER_WRAP)
    return out.reshape(-1, *texture.shape[2:])[:count]


def _heaped(seed: int, radii_px: Array, palette: Array, sunk: float) -> tuple[Picture, Picture]:
    """Stones thrown on a floor: the height of what lies uppermost in texels, and its colour; 0 where none lies."""
    rng = np.random.default_rng(seed)
    high = np.zeros((SIZE, SIZE), np.float32)
    color = np.zeros((SIZE, SIZE, 3), np.float32)
    for radius in radii_px:
        reach = int(1.6 * radius) + 2
        grid = np.arange(-reach, reach + 1, dtype=np.float32)
        turn, flat = rng.uniform(0, np.pi), rng.uniform(0.62, 1.0)
        u = np.cos(turn) * grid[None, :] + np.sin(turn) * grid[:, None]
        v = (np.cos(turn) * grid[:, None] - np.sin(turn) * grid[None, :]) / flat
        around = np.arctan2(v, u)
        waves = [(k, rng.normal(0.0, 0.11) / np.sqrt(k), rng.uniform(0.0, 2.0 * np.pi)) for k in (2, 3, 4, 5)]
        wobble = sum(share * np.cos(k * around + start) for k, share, start in waves)
        far = np.hypot(u, v) / (radius * (1.0 + wobble))
        tilt = (rng.normal(0.0, 0.16) * u + rng.normal(0.0, 0.16) * v).astype(np.float32)
        dome = radius * 0.75 * np.sqrt(np.clip(1.0 - far**3.2, 0.0, None)) + tilt
        dome = np.where(far < 1.0, dome + rng.uniform(-sunk, 0.35) * radius, 0.0)
        rows = (int(rng.integers(SIZE)) + grid.astype(int)) % SIZE
        columns = (int(rng.integers(SIZE)) + grid.astype(int)) % SIZE
        here = np.ix_(rows, columns)
        upper = dome > high[here]
        high[here] = np.where(upper, dome, high[here])
        shade = palette[int(rng.integers(len(palette)))] * rng.uniform(0.82, 1.15)
        color[here] = np.where(upper[..., None], shade, color[here])
    return high, color


def _lit(high: Picture, softness_px: float) -> Picture:
    """How bright a surface of so many texels' height is: the sun on its slopes, and dark hollows."""
    slope_x = 0.5 * (np.roll(high, -1, 1) - np.roll(high, 1, 1))
    slope_y = 0.5 * (np.roll(high, -1, 0) - np.roll(high, 1, 0))
    facing = (SUN[2] - SUN[0] * slope_x - SUN[1] * slope_y) / np.sqrt(1.0 + slope_x**2 + slope_y**2)
    edge = int(4 * softness_px)
    wrapped = cv2.copyMakeBorder(high, edge, edge, edge, edge, cv2.BORDER_WRAP)
    hollow = cv2.GaussianBlur(wrapped, (0, 0), softness_px)[edge:-edge, edge:-edge] - high
    open_sky = np.clip(1.0 - 0.09 * hollow, 0.35, 1.12)
    return (open_sky * (0.62 + 0.5 * np.clip(facing, 0.0, 1.0))).astype(np.float32)


@cache
def _crushed_stone() -> Picture:
    rng = np.random.default_rng(51)
    palette = np.array(
        [[128, 128, 126], [112, 114, 116], [146, 144, 140], [126, 118, 110], [104, 116, 126], [90, 92, 94]], float
    )
    radii = np.sort(np.clip(rng.lognormal(2.35, 0.33, 15000), 5.0, 26.0))
    high, color = _heaped(52, rng.permutation(radii), palette, 0.25)
    floor = high <= 0.0
    color[floor] = (70.0, 78.0, 84.0)
    grit = 1.0 + 0.06 * noise(53, 0.9) + 0.04 * noise(54, 3.0)
    return color * (_lit(high, 5.0) * grit)[..., None]


@cache
def _soil() -> Picture:
    rng = np.random.default_rng(61)
    lumps = 2.2 * noise(62, 9.0) + 1.0 * noise(63, 3.5) + 0.35 * noise(64, 1.2)
    palette = np.array([[118, 122, 124], [98, 108, 116], [134, 136, 136], [92, 104, 120]], float)
    radii = np.clip(rng.lognormal(1.75, 0.6, 900), 2.5, 24.0)
    high, stones = _heaped(65, radii, palette, 0.45)
    tone = 1.0 + 0.10 * noise(66, 70.0) + 0.05 * noise(67, 14.0) + 0.05 * noise(68, 0.9)
    earth = np.array([74.0, 94.0, 114.0], np.float32) * tone[..., None]
    color = np.where((high > 0.0)[..., None], stones * (1.0 + 0.05 * noise(69, 1.0))[..., None], earth)
    return color * _lit(np.maximum(high, 0.0) + lumps, 4.0)[..., None]


@cache
def _concrete() -> tuple[Picture, Picture]:
    """Relative shade: of the grain with its pinholes, and of stains and damp."""
    grain = 0.030 * noise(71, 0.9) + 0.022 * noise(72, 2.6) + 0.016 * noise(73, 9.0) + 0.014 * noise(74, 60.0, 1.6)
    rng = np.random.default_rng(75)
    for x, y, radius in zip(*rng.integers(0, SIZE, (2, 420)), rng.lognormal(0.55, 0.55, 420), strict=True):
        reach = int(3 * radius) + 2
        g = np.arange(-reach, reach + 1)
        dent = np.exp(-((np.hypot(g[None, :], g[:, None]) / radius) ** 4))
        lip = np.exp(-((np.hypot(g[None, :] + 0.9 * radius, g[:, None] + 0.9 * radius) / (0.9 * radius)) ** 4))
        grain[np.ix_((y + g) % SIZE, (x + g) % SIZE)] += 0.10 * lip * (1 - dent) - rng.uniform(0.15, 0.42) * dent
    cream = np.clip(noise(76, 26.0, 9.0) - 0.6, 0.0, None)
    damp = np.clip(noise(77, 34.0) - 1.1, 0.0, 1.2)
    wide = 0.032 * noise(78, 55.0) + 0.026 * noise(79, 14.0) + 0.018 * noise(80, 40.0, 3.0) + 0.05 * cream - 0.10 * damp
    return grain.astype(np.float32), wide.astype(np.float32)


@cache
def _rust() -> Picture:
    return np.clip(noise(81, 12.0) * 0.6 + noise(82, 4.0) * 0.25 - 1.4, 0.0, 0.24)


@cache
def _ragged() -> Picture:
    return 0.7 * noise(83, 9.0) + 0.35 * noise(84, 2.0) + 1.6 * np.clip(noise(85, 14.0) - 2.1, 0.0, None)


@cache
def _powder() -> tuple[Picture, Picture]:
    """Of chalk: how its amount varies along and across, and its grains."""
    return noise(91, 60.0, 3.0), noise(92, 0.9)


def _ground(scene: Scene, centre: Array, rays: Array) -> Picture:
    far = -centre[2] / rays[:, 2]
    x, y = centre[0] + far * rays[:, 0], centre[1] + far * rays[:, 1]
    off = np.maximum(*off_wall_mm(x, y)) + sample(_ragged(), x, y, 1.7)
    color = np.empty((len(x), 3), np.float32)
    top = np.flatnonzero(off <= 0.0)
    if top.size:
        color[top] = _top(scene, x[top], y[top], off[top])
    beside = np.flatnonzero(off > 0.0)
    if beside.size:
        inward = inward_mm(x[beside], y[beside]) > 0.0
        color[beside] = _below(centre, rays[beside], far[beside], off[beside], inward)
    return color


def _below(centre: Array, rays: Array, far: Array, off: Array, inward: NDArray[np.bool_]) -> Picture:
    """What is seen past the top's edge: the wall's face where it does not hang over, else the ground."""
    deep = np.where(inward, SOIL_DEEP_MM, STONE_DEEP_MM)
    down = far * (centre[2] + deep) / centre[2]
    x, y = centre[0] + down * rays[:, 0], centre[1] + down * rays[:, 1]
    color = np.empty((len(x), 3), np.float32)
    for picture, of in ((_soil, inward), (_crushed_stone, ~inward)):
        if of.any():
            color[of] = sample(picture(), x[of], y[of], EARTH_MM)
    near = np.flatnonzero(off < NEAR_WALL_MM)
    x, y, deep, inward = x[near], y[near], deep[near], inward[near]
    off_ground = off_wall_mm(x, y)[0]
    light = 1.0 - 0.42 * np.exp(-np.maximum(off_ground, 0.0) / 70.0)
    color[near] *= (light * (1.0 - _shadow(x, y, deep))).astype(np.float32)[:, None]
    hit = off_ground < 0.0
    face = near[hit]
    if face.size:
        share = off[face] / (off[face] - off_ground[hit])
        at = far[face] + share * (down[face] - far[face])
        place = centre + at[:, None] * rays[face]
        color[face] = _face(place, -place[:, 2], deep[hit], inward[hit])
    _drop(color, near, centre + (far[near] * (centre[2] + DROP_MM) / centre[2])[:, None] * rays[near])
    return color


def _shadow(x: Array, y: Array, deep: Array) -> Array:
    """How much of the light the wall takes from places so far below its top."""
    on_the_way = np.maximum(*off_wall_mm(x - SHADE_PER_MM[0] * deep, y - SHADE_PER_MM[1] * deep))
    return SUN_SHARE / (1.0 + np.exp(np.clip(on_the_way / 22.0, None, 30.0)))


def _drop(color: Picture, which: NDArray[np.intp], place: Array) -> None:
    """The wall beyond its ends, where it was poured lower: bare concrete, in the shade of the step."""
    x, y = place[:, 0], place[:, 1]
    off, past = off_wall_mm(x, y)
    on = np.flatnonzero((off + sample(_ragged(), x, y, 1.7) < 0.0) & (past > 0.0))
    if not on.size:
        return
    x, y, past = x[on], y[on], past[on]
    grain, wide = _concrete()
    tone = 0.95 + 0.8 * sample(grain, x, y, FINE_MM) + 1.3 * sample(wide, x, y, WIDE_MM) - 0.25 * np.exp(-past / 25.0)
    tone *= 1.0 - _shadow(x, y, np.full(len(x), DROP_MM))
    color[which[on]] = (tone[:, None] * CONCRETE_BGR).astype(np.float32)


def _face(place: Array, z: Array, deep: Array, inward: NDArray[np.bool_]) -> Picture:
    """The wall's side, ``z`` below its top: the marks of the form's boards, darker toward the ground."""
    boards = 0.94 + 0.06 * np.clip(np.abs(np.mod(z, 140.0) - 70.0) / 2.5 - 26.5, 0.0, 1.0)
    along = place[:, 0] + place[:, 1]
    grain, wide = _concrete()
    tone = 1.0 + sample(grain, along, 6.0 * z, FINE_MM) + sample(wide, along, z, WIDE_MM)
    lit = np.where(inward, 0.56, 0.74) * (1.0 - 0.35 * np.exp(np.minimum(z - deep, 0.0) / 60.0))
    return ((lit * boards * tone)[:, None] * CONCRETE_BGR).astype(np.float32)


def _top(scene: Scene, x: Array, y: Array, off: Array) -> Picture:
    grain, wide = _concrete()
    (xn, yn), (xe, ye) = NORTH.frame(x, y), EAST.frame(x, y)
    on_east = np.clip(0.5 + (ye - yn) / 120.0, 0.0, 1.0)  # the trowel's way turns gradually at the corner
    tone = np.ones(len(x))
    for share, u, v in ((1.0 - on_east, xn, yn), (on_east, xe + 9000.0, ye + 700.0)):
        here = np.flatnonzero(share > 0.0)
        u, v = u[here], v[here]
        tone[here] += share[here] * (sample(grain, u, v, FINE_MM) + sample(wide, u, v, WIDE_MM))
    tone -= 0.10 * np.exp((off + 1.0) / 1.6)  # the arris is rounded
    color = (tone[:, None] * CONCRETE_BGR).astype(np.float32)
    rust = sample(_rust(), x, y, 2.0)[:, None]
    color += rust * (np.array([84.0, 118.0, 160.0], np.float32) - color)
    for wall in (NORTH, EAST):
        _snap(color, wall, *wall.frame(x, y))
    _strew(color, x, y)
    for number, card in zip(scene.numbers, scene.cards, strict=True):
        if _within(300.0, card.origin_mm, x, y):
            _rim_of_card(color, number, card.origin_mm, card.rotation, x, y)
    for bar in scene.bars:
        if _within(200.0, bar.bolt.base_mm, x, y):
            _shade_of_bar(color, bar, x, y)
    return color


def _within(reach_mm: float, place: Array, x: Array, y: Array) -> bool:
    """Whether any of the places can lie so near: a quick look, since most things lie far from most pieces."""
    low, high = place[:2] - reach_mm, place[:2] + reach_mm
    return bool(x.max() > low[0] and x.min() < high[0] and y.max() > low[1] and y.min() < high[1])


def _snap(color: Picture, wall: Wall, u: Array, v: Array) -> None:
    """Chalk along the run: thick and thin, broken in places, dusty on both sides; once snapped twice."""
    crossing = CROSSING_MM[0] if wall is NORTH else CROSSING_MM[1]
    low, high = (NORTH_BEGINS_MM + 4.0, crossing + 92.0) if wall is NORTH else (crossing - 78.0, EAST_ENDS_MM - 3.0)
    on = np.flatnonzero((np.abs(v) < 16.0) & (u > low) & (u < high))
    along, off = u[on], v[on]
    amount, grains = _powder()
    level = 0.66 + 0.22 * sample(amount, along, np.full(len(on), 40.0 if wall is NORTH else 400.0), 1.0)
    level = np.clip(level, 0.06, 0.9) * np.clip(0.86 + 0.34 * sample(grains, along, off, 0.45), 0.0, 1.25)
    wander = 0.10 * sample(amount, along, np.full(len(on), 900.0), 2.0)
    share = level * (np.exp(-0.5 * ((off - wander) / 0.85) ** 2) + 0.10 * np.exp(-np.abs(off) / 4.5))
    if wall is NORTH:
        inside = np.clip(np.minimum(along - GHOST_MM[0], GHOST_MM[1] - along) / 40.0, 0.0, 1.0)
        ghost = 2.6 + 0.006 * (along - GHOST_MM[0])
        share = np.maximum(share, 0.22 * inside * level * np.exp(-0.5 * ((off - ghost) / 0.9) ** 2))
    share = np.clip(share, 0.0, 0.85)[:, None].astype(np.float32)
    color[on] += share * (CHALK_BGR.astype(np.float32) - color[on])


def _strew(color: Picture, x: Array, y: Array) -> None:
    """A leaf, a bent nail and a pencil stroke: flat, and nothing to drill for."""
    if not any(_within(150.0, np.array(place), x, y) for place in ((2745.0, 34.0), NAIL_MM, (1846.0, 0.0))):
        return
    u, v = x - 2745.0, y - 34.0
    turn = np.radians(35.0)
    along, across = np.cos(turn) * u + np.sin(turn) * v, np.cos(turn) * v - np.sin(turn) * u
    half = 15.0 * np.clip(1.0 - (along / 27.0) ** 2, 0.0, None) ** 0.8
    shadow = 1.0 / (1.0 + np.exp(np.clip((np.hypot(along / 1.6, across + 2.0) - 15.0) / 1.5, None, 30.0)))
    color *= (1.0 - 0.25 * shadow).astype(np.float32)[:, None]
    on = np.flatnonzero(np.abs(across) < half)
    ribs = 0.08 * np.cos(0.9 * (along[on] - 1.4 * np.abs(across[on])))
    veins = 1.0 - 0.25 * np.exp(-((across[on] / 0.7) ** 2)) - ribs
    color[on] = veins[:, None] * np.array([40.0, 98.0, 158.0], np.float32)
    for wall, (u0, v0), (u1, v1), radius, bgr in (
        (EAST, (318.0, 28.0), (384.0, 58.0), 1.7, (58.0, 72.0, 98.0)),
        (EAST, (381.0, 54.5), (385.0, 61.5), 3.4, (62.0, 78.0, 106.0)),
        (NORTH, (1846.0, -34.0), (1846.0, 8.0), 0.5, (92.0, 94.0, 96.0)),
    ):
        u, v = wall.frame(x, y)
        way = np.array([u1 - u0, v1 - v0])
        share = np.clip(((u - u0) * way[0] + (v - v0) * way[1]) / float(way @ way), 0.0, 1.0)
        off = np.hypot(u - u0 - share * way[0], v - v0 - share * way[1]) - radius
        near = np.flatnonzero(off < 6.0)
        under = 0.30 * np.exp(-np.maximum(off[near], 0.0) / 1.8) * (radius > 1.0)
        color[near] *= (1.0 - under).astype(np.float32)[:, None]
        on = np.flatnonzero(off < 0.0)
        round_off = 1.0 + 0.35 * np.cos(np.pi * (off[on] / radius + 0.5))
        color[on] = round_off[:, None].astype(np.float32) * np.array(bgr, np.float32)


def _rim_of_card(color: Picture, number: int, origin: Array, rotation: Array, x: Array, y: Array) -> None:
    """The thin dark rim that a sheet of paper has round it."""
    spec, m = scale_card(number), CARD_MARGIN_MM
    u = (x - origin[0]) * rotation[0, 0] + (y - origin[1]) * rotation[1, 0]
    v = (x - origin[0]) * rotation[0, 1] + (y - origin[1]) * rotation[1, 1]
    off = np.hypot(
        np.maximum(np.maximum(-m - u, u - spec.width_mm - m), 0.0),
        np.maximum(np.maximum(-m - v, v - spec.height_mm - m), 0.0),
    )
    near = np.flatnonzero((off > 0.0) & (off < 6.0))
    color[near] *= (1.0 - 0.26 * np.exp(-off[near] / 0.9)).astype(np.float32)[:, None]


def _shade_of_bar(color: Picture, bar: Bar, x: Array, y: Array) -> None:
    """A bolt's soft shadow, softer the farther from its foot, and the collar of paste and shade round the foot."""
    bolt = bar.bolt
    u, v = x - bolt.base_mm[0], y - bolt.base_mm[1]
    tip = bolt.tip_mm - bolt.base_mm
    way = tip[:2] + SHADE_PER_MM * tip[2]
    length = float(np.hypot(*way))
    near = np.flatnonzero((np.abs(u) < length + 40.0) & (np.abs(v) < length + 40.0))
    u, v = u[near], v[near]
    s = (u * way[0] + v * way[1]) / length
    across = np.abs(u * way[1] - v * way[0]) / length
    soft = 0.5 + 0.055 * np.clip(s, 0.0, length)
    lateral = 1.0 / (1.0 + np.exp(np.clip((across - bolt.radius_mm) / (0.55 * soft), -30.0, 30.0)))
    end = 1.0 / (1.0 + np.exp(np.clip((s - length) / (0.55 * soft), -30.0, 30.0)))
    cast = lateral * end / (1.0 + np.exp(np.clip(-s / 1.5, -30.0, 30.0)))
    off = np.maximum(np.hypot(u, v) - bolt.radius_mm, 0.0)
    color[near] *= (1.0 - SUN_SHARE * 1.25 * cast).astype(np.float32)[:, None]
    paste = 0.06 * np.exp(-((off / 9.0) ** 4))
    color[near] *= (1.0 + paste - 0.24 * np.exp(-off / 3.2)).astype(np.float32)[:, None]


@cache
def _words(number: int) -> Picture:
    """What stands in the white below the grid, as ink 0 to 1, from the grid's lower edge down and its left edge on."""
    strip = np.zeros((round(CARD_MARGIN_MM / WORDS_MM), round(240.0 / WORDS_MM)), np.uint8)
    font, line = cv2.FONT_HERSHEY_DUPLEX, cv2.LINE_AA
    cv2.putText(strip, f"CARD {number}", (40, 68), font, 1.55, 255, 3, line)
    cv2.putText(strip, "check: 240 mm from tick to tick", (1230, 62), font, 1.0, 255, 2, line)
    strip[20:80, :3] = 255
    strip[20:80, -3:] = 255
    return cv2.GaussianBlur(strip.astype(np.float32) / 255.0, (0, 0), 1.0)


def _card(spec: BoardSpec, x_mm: Array, y_mm: Array) -> Array:
    ink = 1.0 - print_shade(spec, x_mm, y_mm)
    words = _words(spec.first_id // spec.marker_count + 1)
    column = np.floor(x_mm / WORDS_MM).astype(int)
    row = np.floor((y_mm - spec.height_mm) / WORDS_MM).astype(int)
    on = (column >= 0) & (column < words.shape[1]) & (row >= 0) & (row < words.shape[0])
    ink[on] = words[row[on], column[on]]
    sheen = 1.0 + 0.012 * sample(_concrete()[1], 3.0 * x_mm + 61.0 * spec.first_id, 3.0 * y_mm, WIDE_MM)[:, None]
    return sheen * (PAPER_BGR + ink[:, None] * (INK_BGR - PAPER_BGR))


def _steel(bar: Bar, normals: Array, high_mm: Array) -> Array:
    """Zinc with a thread cut into it: flanks turned 28 degrees up and down along a helix, a sheen, dull patches."""
    axis = (bar.bolt.tip_mm - bar.bolt.base_mm) / bar.bolt.stickup_mm
    side = np.cross([0.0, 1.0, 0.0], axis)
    side /= np.linalg.norm(side)
    around = np.arctan2(normals @ np.cross(axis, side), normals @ side)
    phase = np.mod(high_mm / bar.repeat_mm + around / (2.0 * np.pi), 1.0)
    flank = np.radians(28.0) * np.clip(6.0 * (np.abs(phase - 0.5) - 0.25), -1.0, 1.0)
    flank = np.where(high_mm <= bar.bolt.stickup_mm - bar.chamfer_mm, flank, 0.0)
    out = normals / np.linalg.norm(normals, axis=1, keepdims=True)
    turned = np.cos(flank)[:, None] * out + np.sin(flank)[:, None] * axis
    sun = np.clip(turned @ SUN, 0.0, None)
    shade = 92.0 + 44.0 * (0.5 + 0.5 * turned[:, 2]) + 70.0 * sun + 50.0 * sun**12
    shade *= 1.0 - 0.15 * np.exp(-np.maximum(high_mm, 0.0) / 9.0)
    dull = sample(_concrete()[1], 9.0 * around * bar.bolt.radius_mm, 9.0 * high_mm, WIDE_MM)
    return (shade * (1.0 + 0.9 * dull))[:, None] * np.array([1.0, 0.985, 0.955])


SITE = Look(_ground, _card, _steel, (203.0, 201.0, 196.0))
