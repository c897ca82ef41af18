"""Draws the demo job's photos and writes what belongs to them: truth.json and levels.csv.

    python tests/demo_photos.py [--out demo_images/lot12] [--only IMG_2041 ...] [--workers 2]

Not a test: run it by hand, when the site in ``demo_site`` or its look in ``demo_look`` has changed. The same seed gives
the same photos. It takes about half a minute of one processor a photo.
"""

from __future__ import annotations

import argparse
import json
from concurrent.futures import ProcessPoolExecutor
from functools import partial
from multiprocessing import get_context
from pathlib import Path

import cv2
import numpy as np
from numpy.typing import NDArray
from PIL import Image
from PIL.ExifTags import IFD, Base

from demo_look import SITE
from demo_site import SHOTS, WALLS, Shot, off_wall_mm, rod_mm, scene, truth
from scene_pictures import render
from scenes import Scene
from sillwright.camera import ideal_from_pixels, project
from sillwright.cards import CARD_MARGIN_MM
from sillwright.lengths import format_inches, parse_length_mm
from sillwright.solve.state import card_points

LOT = Path(__file__).resolve().parents[1] / "demo_images" / "lot12"
# Squared rays a pixel. An edge that runs along the pixels' rows steps by one part in so many, and those of cards and
# bolts are read to a twentieth of a pixel; textures are softer than pixels.
PLAIN_SAMPLES, EDGE_SAMPLES, FINE_SAMPLES = 1, 3, 6
AROUND_PX, SEAM_PX, TILE_PX = 24, 6, 168
EDGE_MM = 75.0  # a tile whose middle lies so near the wall's edge may show it
LENS_BLUR_PX = 0.55
CORNERS_DARKER = 0.17  # so much less light in the picture's corners
JPEG_QUALITY = 88
READ_AT = {
    "north": ("-1 ft", "3 ft", "7 ft", "11 ft", "16 ft 0 1/2 in"),
    "east": ("-1 ft 10 in", "1 ft 6 in", "4 ft 9 in"),
}
ROD_AT_ZERO_MM = 1219.2  # 4 ft at card 1


def developed(light: NDArray[np.uint8], seed: int) -> NDArray[np.uint8]:
    """As a phone makes a picture of light: darker corners, the sensor's noise smoothed a little, edges sharpened."""
    height, width = light.shape[:2]
    y, x = np.mgrid[0:height, 0:width].astype(np.float32)
    far = np.hypot(x - 0.5 * width, y - 0.5 * height) / (0.5 * np.hypot(width, height))
    out = light.astype(np.float32) * (1.0 - CORNERS_DARKER * far**2)[..., None]
    rng = np.random.default_rng(seed)
    grain = rng.standard_normal(out.shape, dtype=np.float32) * np.array([2.6, 1.8, 2.4], np.float32)
    out += cv2.GaussianBlur(grain, (0, 0), 0.7)
    out += 0.35 * (out - cv2.GaussianBlur(out, (0, 0), 1.4))
    return np.clip(np.round(out), 0.0, 255.0).astype(np.uint8)


def write_photo(shot: Shot, number: int, pixels: NDArray[np.uint8], path: Path) -> None:
    """A JPEG as a phone stores it: pixels never turned, and what it knows in EXIF."""
    taken = f"2026:05:22 14:{10 + number // 2:02d}:{7 + 29 * (number % 2):02d}"
    exif = Image.Exif()
    exif[Base.Make], exif[Base.Model], exif[Base.Orientation] = "Phone", "A", shot.orientation
    exif[Base.DateTime] = taken
    lens = exif.get_ifd(IFD.Exif)
    lens[Base.DateTimeOriginal] = lens[Base.DateTimeDigitized] = taken
    lens[Base.FocalLength], lens[Base.FNumber], lens[Base.ISOSpeedRatings] = 5.43, 1.8, 100
    lens[Base.FocalLengthIn35mmFilm] = 28
    lens[Base.ExifImageWidth], lens[Base.ExifImageHeight] = pixels.shape[1], pixels.shape[0]
    path.parent.mkdir(parents=True, exist_ok=True)
    Image.fromarray(np.ascontiguousarray(pixels[:, :, ::-1])).save(path, quality=JPEG_QUALITY, exif=exif)


def light_of(number: int) -> NDArray[np.uint8]:
    """What falls on the sensor for one photo: all of it, and once more with finer samples where there are edges."""
    site = scene()
    out = render(site, number, look=SITE, samples=PLAIN_SAMPLES, blur_px=LENS_BLUR_PX, noise=0.0)
    for samples, pieces in ((EDGE_SAMPLES, wall_edges(site, number)), (FINE_SAMPLES, cards_and_bolts(site, number))):
        for left, top, right, bottom in pieces:
            m = SEAM_PX  # near its rim a blurred window is not what it would be within the picture
            box = (left - m, top - m, right - left + 2 * m, bottom - top + 2 * m)
            fine = render(site, number, look=SITE, window=box, samples=samples, blur_px=LENS_BLUR_PX, noise=0.0)
            out[top:bottom, left:right] = fine[m:-m, m:-m]
    return out


Piece = tuple[int, int, int, int]
"""Left, top, right and bottom of a piece of a photo, the last two not in it."""


def wall_edges(site: Scene, number: int) -> list[Piece]:
    """The tiles of a photo that may show an edge of the wall."""
    camera, pose = site.camera, site.poses[number]
    corners = [(x, y) for y in range(0, camera.height_px, TILE_PX) for x in range(0, camera.width_px, TILE_PX)]
    middles = np.array(corners, float) + 0.5 * TILE_PX
    rays = np.column_stack([ideal_from_pixels(camera, middles), np.ones(len(middles))]) @ pose.rotation
    places = pose.centre_mm - (pose.centre_mm[2] / rays[:, 2])[:, None] * rays
    near = np.abs(np.maximum(*off_wall_mm(places[:, 0], places[:, 1]))) < EDGE_MM
    return [(x, y, x + TILE_PX, y + TILE_PX) for (x, y), is_near in zip(corners, near, strict=True) if is_near]


def cards_and_bolts(site: Scene, number: int) -> list[Piece]:
    """The pieces of a photo round its cards and bolts."""
    camera, pose = site.camera, site.poses[number]
    paper = np.array([[x, y] for x in (-CARD_MARGIN_MM, 250.0) for y in (-CARD_MARGIN_MM, 100.0)])
    things = [card_points(card, site.scale, paper) for card in site.cards]
    things += [np.array([bar.bolt.base_mm, bar.bolt.tip_mm]) for bar in site.bars]
    size = np.array([camera.width_px, camera.height_px])
    found = []
    for thing in things:
        px = project(camera, pose, thing)
        if np.isfinite(px).all():
            low = np.clip(np.floor(px.min(axis=0)).astype(int) - AROUND_PX, 0, size)
            high = np.clip(np.ceil(px.max(axis=0)).astype(int) + AROUND_PX, 0, size)
            if (high > low).all():
                found.append((int(low[0]), int(low[1]), int(high[0]), int(high[1])))
    return found


def draw(number: int, out: Path) -> str:
    """One photo from exact truth to its file."""
    cv2.setNumThreads(1)
    shot = SHOTS[number]
    write_photo(shot, number, developed(light_of(number), 400 + number), out / shot.file)
    return shot.file


def levels_csv() -> str:
    """The rod's readings from one set-up, as a crew writes them down: from end to end of both walls."""
    rows = ["run,station,reading"]
    for wall in WALLS:
        for station in READ_AT[wall.name]:
            reading_mm = rod_mm(wall, parse_length_mm(station, allow_negative=True), ROD_AT_ZERO_MM)
            rows.append(f"{wall.name},{station},{format_inches(reading_mm)[:-1]} in")
    return "\n".join(rows) + "\n"


def main() -> None:
    """Draw and write what the command line asks for."""
    words = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    words.add_argument("--out", type=Path, default=LOT)
    words.add_argument("--only", nargs="*", help="names of photos, without .jpg; all where left out")
    words.add_argument("--workers", type=int, default=1)
    asked = words.parse_args()
    wanted = [n for n, shot in enumerate(SHOTS) if asked.only is None or Path(shot.file).stem in asked.only]
    with ProcessPoolExecutor(asked.workers, mp_context=get_context("spawn")) as pool:
        for file in pool.map(partial(draw, out=asked.out), wanted):
            print(file)
    (asked.out / "levels.csv").write_text(levels_csv(), encoding="utf-8")
    (asked.out / "truth.json").write_text(json.dumps(truth(), indent=1) + "\n", encoding="utf-8")


if __name__ == "__main__":
    main()
