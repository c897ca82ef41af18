"""Runs of photos drawn from exact truth, done right or with one of the mistakes crews make."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from pathlib import Path

import cv2
import numpy as np
from PIL import Image
from PIL.ExifTags import IFD, Base

from scene_pictures import render
from scenes import LENS_SIGMA, PHONE, Bar, Chalk, Scene, Stain, draw_bolt, inside, lying, overhead, with_painted_bolts
from sillwright.camera import Camera, Pose, project
from sillwright.fasteners import bolt_size
from sillwright.job import Tape
from sillwright.solve.state import (
    card_points,
)
from steel import HIGH, WASHER_MM, bent, with_nut

PLATE_MM = 139.7
UP = np.array([0.0, 0.0, 1.0])
COLORS = {"blue": (170.0, 90.0, 45.0), "red": (60.0, 55.0, 190.0), "orange": (40.0, 120.0, 225.0)}
SIZES = ("1/2 in", "5/8 in", "3/4 in", "12 mm", "16 mm")


@dataclass(frozen=True)
class Case:
    """A scene, the job a crew would write, and what is done to the photos after they are drawn."""

    scene: Scene
    bolt: str
    check_length_mm: float | None = None
    tapes: tuple[Tape, ...] = ()
    profile_camera: Camera = PHONE
    blur_px: float = 0.6
    noise: float = 2.0
    gain: float = 1.0
    pushed_mm: float = 0.0
    steel: tuple[Bar, ...] = ()  # drawn for the bolts, where they are not drawn as bare bars
    spoil: Callable[[list[np.ndarray], Scene, np.random.Generator], list[np.ndarray]] | None = None


def drawn(rng: np.random.Generator) -> Case:
    """A run done right: two or three cards, three to four photos that overlap, a few bolts, one line."""
    size = str(rng.choice(SIZES))
    known = bolt_size(size)
    radius = known.diameter_mm / 2.0
    count = int(rng.integers(2, 4))
    face = 0.3
    camera = PHONE.with_parameters(PHONE.parameters + LENS_SIGMA * rng.standard_normal(9))
    x = np.concatenate([[0.0], np.cumsum(rng.uniform(650.0, 900.0, count - 1))])
    cards = []
    for at in x:
        tilt = 0.004 * rng.standard_normal(2)
        card = lying(float(at), rng.uniform(92.0, 108.0), 0.0, turn_deg=rng.normal(0.0, 1.5), tilt_rad=tilt)
        arm = card.rotation @ np.array([120.0, 45.0, 0.0])
        z = face + 0.25 * abs(rng.standard_normal()) - float(arm[2])
        cards.append(replace(card, origin_mm=np.array([card.origin_mm[0], card.origin_mm[1], z])))
    poses = []
    for k in range(count - 1):
        for side in (-1.0, 1.0):
            middle = 0.5 * (x[k] + x[k + 1]) + 120.0 + side * rng.uniform(120.0, 260.0)
            lean = (rng.normal(4.0, 4.0), 0.05 * side * rng.normal(4.0, 4.0))
            place = (middle, rng.normal(-10.0, 60.0), rng.uniform(1150.0, 1400.0))
            poses.append(overhead(*place, lean_deg=lean, turn_deg=rng.normal(0.0, 4.0) + rng.choice([0.0, 180.0])))
    depth = 0.6134 * known.pitch_mm
    bars = []
    for k in range(count - 1):
        low, high = x[k] + 285.0, x[k + 1] - 45.0
        for at in np.sort(rng.uniform(low, high, 2)):
            if all(abs(at - other.bolt.base_mm[0]) > 150.0 for other in bars):
                bars.append(Bar(draw_bolt(rng, float(at), radius), depth, known.pitch_mm))
    chalk = Chalk(
        COLORS[str(rng.choice(list(COLORS)))], sigma_mm=rng.uniform(0.6, 1.4), strength=rng.uniform(0.45, 0.8)
    )
    chalk = replace(chalk, wave_mm=rng.uniform(0.0, 0.3), wave_length_mm=rng.uniform(200.0, 900.0))
    stains = tuple(
        Stain(rng.uniform(-200.0, x[-1] + 400.0), rng.uniform(-50.0, 140.0), rng.uniform(10.0, 40.0)) for _ in range(3)
    )
    scene = Scene(
        camera, tuple(poses), tuple(range(1, count + 1)), tuple(cards), 1.0 + 0.0012 * rng.standard_normal(), face,
        (chalk,), stains, tuple(bars), (-rng.uniform(45.0, 70.0), rng.uniform(215.0, 240.0)),
    )  # fmt: skip
    return Case(scene, size, noise=rng.uniform(1.0, 3.5))


def _shrunk(case: Case, rng: np.random.Generator) -> Case:
    return replace(case, scene=replace(case.scene, scale=1.0 - rng.uniform(0.03, 0.07)))


def _shrunk_and_taped(case: Case, rng: np.random.Generator) -> Case:
    case = _shrunk(case, rng)
    cards = case.scene.cards
    length = float(np.linalg.norm(cards[-1].origin_mm - cards[0].origin_mm))
    return replace(case, tapes=(Tape(1, len(cards), _sixteenth(length)),))


def _tape_misread(case: Case, rng: np.random.Generator) -> Case:
    cards = case.scene.cards
    length = float(np.linalg.norm(cards[-1].origin_mm - cards[0].origin_mm)) + float(
        rng.choice([-25.4, -6.35, 6.35, 25.4])
    )
    return replace(case, tapes=(Tape(1, len(cards), _sixteenth(length)),))


def _sixteenth(length_mm: float) -> float:
    return round(length_mm / 1.5875) * 1.5875


def _with_card(case: Case, rng: np.random.Generator, change: Callable[..., object]) -> Case:
    cards = list(case.scene.cards)
    k = int(rng.integers(len(cards)))
    cards[k] = change(cards[k])
    return replace(case, scene=replace(case.scene, cards=tuple(cards)))


def _on_nub(case: Case, rng: np.random.Generator) -> Case:
    def tilt(card):
        about = np.radians(rng.uniform(1.5, 4.0)) * (1 if rng.random() < 0.5 else -1)
        turned = lying(0.0, 0.0, 0.0, tilt_rad=np.array([about, 0.0]) if rng.random() < 0.5 else np.array([0.0, about]))
        middle = card.origin_mm + card.rotation @ np.array([120.0, 45.0, 0.0])
        rotation = turned.rotation @ np.diag([1.0, -1.0, -1.0]) @ card.rotation
        lift = 130.0 * abs(np.sin(about)) if turned.rotation[2, 0] else 55.0 * abs(np.sin(about))
        return replace(card, rotation=rotation, origin_mm=middle + lift * UP - rotation @ np.array([120.0, 45.0, 0.0]))

    return _with_card(case, rng, tilt)


def _on_board(case: Case, rng: np.random.Generator) -> Case:
    lift = float(rng.choice([6.0, 12.0, 19.0]))
    return _with_card(case, rng, lambda card: replace(card, origin_mm=card.origin_mm + np.array([0.0, 0.0, lift])))


def _all_on_boards(case: Case, rng: np.random.Generator) -> Case:
    lift = np.array([0.0, 0.0, float(rng.choice([6.0, 12.0, 19.0]))])
    cards = tuple(replace(card, origin_mm=card.origin_mm + lift) for card in case.scene.cards)
    return replace(case, scene=replace(case.scene, cards=cards))


def _curled(case: Case, rng: np.random.Generator) -> Case:
    return _with_card(case, rng, lambda card: replace(card, curl_mm=rng.uniform(2.0, 6.0)))


def _other_phone(case: Case, rng: np.random.Generator) -> Case:
    other = PHONE.parameters * np.array([rng.choice([0.97, 1.03]), 0, 1, 1, 0, 0, 0, 0, 0])
    other[1], other[4:] = other[0], np.array([-0.08, 0.06, 0.0002, 0.0003, -0.01])
    return replace(case, profile_camera=PHONE.with_parameters(other))


def _zoomed(case: Case, rng: np.random.Generator) -> Case:
    zoom = rng.uniform(1.1, 1.4)

    def crop(photos, scene, _):
        out = []
        for photo in photos:
            h, w = photo.shape[:2]
            ch, cw = round(h / zoom), round(w / zoom)
            piece = photo[(h - ch) // 2 : (h - ch) // 2 + ch, (w - cw) // 2 : (w - cw) // 2 + cw]
            out.append(cv2.resize(piece, (w, h), interpolation=cv2.INTER_CUBIC))
        return out

    return replace(case, spoil=crop)


def _blurred(case: Case, rng: np.random.Generator) -> Case:
    return replace(case, blur_px=rng.uniform(2.0, 5.0))


def _shaken(case: Case, rng: np.random.Generator) -> Case:
    length, turn = int(rng.integers(6, 20)), rng.uniform(0, np.pi)

    def shake(photos, scene, _):
        kernel = np.zeros((2 * length + 1,) * 2, np.float32)
        end = np.round(length * np.array([np.cos(turn), np.sin(turn)]) / 2).astype(int)
        cv2.line(kernel, tuple(int(v) for v in length - end), tuple(int(v) for v in length + end), 1.0)
        return [cv2.filter2D(p, -1, kernel / kernel.sum()) if k == 0 else p for k, p in enumerate(photos)]

    return replace(case, spoil=shake)


def _dark(case: Case, rng: np.random.Generator) -> Case:
    return replace(case, gain=rng.uniform(0.12, 0.3))


def _bright(case: Case, rng: np.random.Generator) -> Case:
    return replace(case, gain=rng.uniform(1.6, 2.2))


def _no_line(case: Case, rng: np.random.Generator) -> Case:
    return replace(case, scene=replace(case.scene, chalk=()))


def _two_lines(case: Case, rng: np.random.Generator) -> Case:
    (chalk,) = case.scene.chalk
    apart = (
        PLATE_MM + rng.normal(0.0, 1.0) if rng.random() < 0.5 else float(rng.choice([-1, 1])) * rng.uniform(8.0, 40.0)
    )
    second = replace(chalk, offset_mm=apart, strength=chalk.strength * rng.uniform(0.7, 1.2))
    return replace(case, scene=replace(case.scene, chalk=(chalk, second)))


def _covered_in_part(case: Case, rng: np.random.Generator) -> Case:
    def lay_leaf(photos, scene, rng):
        k = int(rng.integers(len(scene.cards)))
        card = scene.cards[k]
        low = rng.uniform(0.0, 110.0)
        leaf = np.array([[low, -20.0], [low + 130.0, -15.0], [low + 120.0, 70.0], [low + 10.0, 60.0]])
        ground = card.origin_mm + np.column_stack([leaf, np.zeros(4)]) @ card.rotation.T
        for photo, pose in zip(photos, scene.poses, strict=True):
            px = project(scene.camera, pose, ground)
            if np.isfinite(px).all():
                cv2.fillConvexPoly(photo, np.round(px).astype(np.int32), (50, 90, 70))
        return photos

    return replace(case, spoil=lay_leaf)


def _duplicated(case: Case, rng: np.random.Generator) -> Case:
    return replace(case, spoil=lambda photos, scene, rng: [*photos, photos[0]])


def _one_upside_down(case: Case, rng: np.random.Generator) -> Case:
    """A program stored one photo's pixels turned half round."""
    which = int(rng.integers(len(case.scene.poses)))
    return replace(
        case,
        spoil=lambda photos, scene, rng: [
            np.ascontiguousarray(np.rot90(p, 2)) if k == which else p for k, p in enumerate(photos)
        ],
    )


def _turned_anyhow(case: Case, rng: np.random.Generator) -> Case:
    """A program stored each photo's pixels some way up."""
    turns = rng.integers(0, 4, len(case.scene.poses))
    return replace(
        case,
        spoil=lambda photos, scene, rng: [
            np.ascontiguousarray(np.rot90(p, int(k))) for p, k in zip(photos, turns, strict=True)
        ],
    )


def _shrunk_a_little(case: Case, rng: np.random.Generator) -> Case:
    return replace(case, scene=replace(case.scene, scale=1.0 - rng.uniform(0.01, 0.03)))


def _nuts_and_washers(case: Case, rng: np.random.Generator) -> Case:
    """Nuts turned anyhow, some of them round, low on a washer or near the tip: they hide foot or sides."""
    steel: list[Bar] = []
    for bar in case.scene.bars:
        washer = bool(rng.random() < 0.5)
        high_mm = HIGH * bar.bolt.radius_mm
        low_mm = washer * WASHER_MM if rng.random() < 0.5 else bar.bolt.stickup_mm - high_mm - rng.uniform(5.0, 20.0)
        turn_rad = rng.uniform(0.0, np.pi / 3.0) if rng.random() < 0.8 else None
        steel.extend(with_nut(bar, low_mm, hex_rad=turn_rad, washer=washer))
    return replace(case, steel=tuple(steel))


def _bent(case: Case, rng: np.random.Generator) -> Case:
    """One bolt was struck: bowed, or an S."""
    k, turn = int(rng.integers(len(case.scene.bars))), rng.uniform(0.0, 2.0 * np.pi)
    bow_mm = rng.uniform(1.5, 4.0) * np.array([np.cos(turn), np.sin(turn)])
    bars = [
        (bar,) if i != k else bent(bar, bow_mm, twice=bool(rng.random() < 0.4)) for i, bar in enumerate(case.scene.bars)
    ]
    return replace(case, steel=tuple(piece for pieces in bars for piece in pieces))


def _mirrored(case: Case, rng: np.random.Generator) -> Case:
    return replace(case, spoil=lambda photos, scene, rng: [np.ascontiguousarray(p[:, ::-1]) for p in photos])


def _screenshot(case: Case, rng: np.random.Generator) -> Case:
    def shoot(photos, scene, rng):
        small = cv2.resize(photos[0], (1440, 1080), interpolation=cv2.INTER_AREA)
        canvas = np.full((2560, 1440, 3), 24, np.uint8)
        canvas[740:1820] = small
        return [canvas, *photos[1:]]

    return replace(case, spoil=shoot)


def _card_moved(case: Case, rng: np.random.Generator) -> Case:
    """Between the first photo and the others a card was pushed."""
    pushed = rng.uniform(4.0, 30.0)
    return replace(case, pushed_mm=pushed)


def _same_number_twice(case: Case, rng: np.random.Generator) -> Case:
    numbers = list(case.scene.numbers)
    numbers[-1] = numbers[0]
    return replace(case, scene=replace(case.scene, numbers=tuple(numbers)))


MISTAKES: dict[str, Callable[[Case, np.random.Generator], Case]] = {
    "print shrunk": _shrunk,
    "print shrunk, taped": _shrunk_and_taped,
    "tape misread": _tape_misread,
    "card on a nub": _on_nub,
    "card on a board": _on_board,
    "all on boards": _all_on_boards,
    "card curled": _curled,
    "other phone's profile": _other_phone,
    "zoomed": _zoomed,
    "blurred": _blurred,
    "shaken": _shaken,
    "dark": _dark,
    "bright": _bright,
    "no line": _no_line,
    "two lines": _two_lines,
    "card covered in part": _covered_in_part,
    "photo twice": _duplicated,
    "nuts and washers": _nuts_and_washers,
    "bent": _bent,
    "mirrored": _mirrored,
    "one upside down": _one_upside_down,
    "turned anyhow": _turned_anyhow,
    "print shrunk a little": _shrunk_a_little,
    "screenshot": _screenshot,
    "card pushed": _card_moved,
    "number twice": _same_number_twice,
    "painted marks": lambda case, rng: replace(case, scene=with_painted_bolts(case.scene, rng)),
}


def draw_photo(case: Case, photo: int, seed: int) -> np.ndarray:
    """One whole photo; beside the wall there is only soil, drawn at no cost."""
    scene, camera, pose = case.scene, case.scene.camera, case.scene.poses[photo]
    scene = replace(scene, bars=case.steel or scene.bars)
    rng = np.random.default_rng(seed)
    coarse = 14.0 * rng.standard_normal((camera.height_px // 8, camera.width_px // 8, 1)) + np.array([60.0, 78.0, 98.0])
    out = cv2.resize(coarse.astype(np.float32), (camera.width_px, camera.height_px))
    out = np.clip(out, 0, 255).astype(np.uint8)
    left, top, right, bottom = _wall_box(scene, camera, pose)
    window = (left, top, right - left, bottom - top)
    out[top:bottom, left:right] = render(
        scene, photo, window=window, samples=1, blur_px=case.blur_px, noise=case.noise, seed=seed
    )
    # Threads and prints are finer than pixels: with one ray a pixel they would beat as no lens lets them.
    paper = np.array([[-25.0, -25.0], [265.0, -25.0], [265.0, 115.0], [-25.0, 115.0]])
    standing = [*scene.bars, *(painted.bar for painted in scene.painted)]
    things = [np.array([bar.bolt.base_mm, bar.bolt.tip_mm]) for bar in standing]
    things += [card_points(card, scene.scale, paper) for card in scene.cards]
    for thing in things:
        ends = project(camera, pose, thing)
        if not np.isfinite(ends).all():
            continue
        low = np.clip(np.floor(ends.min(axis=0)).astype(int) - 40, 0, [camera.width_px, camera.height_px])
        high = np.clip(np.ceil(ends.max(axis=0)).astype(int) + 40, low, [camera.width_px, camera.height_px])
        (x, y), (wide, tall) = (int(v) for v in low), (int(v) for v in high - low)
        if wide > 8 and tall > 8:
            out[y : y + tall, x : x + wide] = render(
                scene, photo, window=(x, y, wide, tall), samples=3, blur_px=case.blur_px, noise=case.noise, seed=seed
            )
    if case.gain != 1.0:
        out = np.clip(out.astype(np.float32) * case.gain, 0, 255).astype(np.uint8)
    return out


def _wall_box(scene: Scene, camera: Camera, pose: Pose) -> tuple[int, int, int, int]:
    assert scene.wall_mm is not None
    x = pose.centre_mm[0] + np.linspace(-2500.0, 2500.0, 200)
    points = np.concatenate([np.column_stack([x, np.full(200, y), np.full(200, z)]) for y, z in
                             ((scene.wall_mm[0] - 12, 0), (scene.wall_mm[1] + 12, 0), (100.0, 120.0))])  # fmt: skip
    px = project(camera, pose, points)
    px = px[inside(camera, px, -30.0)]
    low = np.clip(np.floor(px.min(axis=0)).astype(int), 0, None)
    high = np.minimum(np.ceil(px.max(axis=0)).astype(int), [camera.width_px, camera.height_px])
    return int(low[0]), int(low[1]), int(high[0]), int(high[1])


def photos_of(case: Case, seed: int) -> list[np.ndarray]:
    """Every photo of a case, spoilt as the case asks."""
    rng = np.random.default_rng(seed)
    if case.pushed_mm:
        first = draw_photo(case, 0, seed)
        cards = list(case.scene.cards)
        k = min(range(len(cards)), key=lambda j: abs(cards[j].origin_mm[0] + 120.0 - case.scene.poses[0].centre_mm[0]))
        cards[k] = replace(
            cards[k], origin_mm=cards[k].origin_mm + np.array([case.pushed_mm, 0.2 * case.pushed_mm, 0.0])
        )
        moved = replace(case, scene=replace(case.scene, cards=tuple(cards)))
        return [first, *(draw_photo(moved, i, seed + i) for i in range(1, len(case.scene.poses)))]
    photos = [draw_photo(case, i, seed + i) for i in range(len(case.scene.poses))]
    return case.spoil(photos, case.scene, rng) if case.spoil is not None else photos


def write_photo(pixels: np.ndarray, path: Path) -> None:
    """As a phone writes it, with the lens in its EXIF."""
    exif = Image.Exif()
    exif[Base.Make], exif[Base.Model] = "Drawn", "Phone"
    exif.get_ifd(IFD.Exif)[Base.FocalLengthIn35mmFilm] = 28
    Image.fromarray(np.ascontiguousarray(pixels[:, :, ::-1])).save(path, quality=92, exif=exif)
