"""The demo job's files are what the script draws and writes, and its photos are taken as the README asks."""

from __future__ import annotations

import json

import cv2
import numpy as np
import pytest

from demo_look import SITE
from demo_photos import FINE_SAMPLES, LENS_BLUR_PX, LOT, levels_csv
from demo_site import CORNER_DEG, CROSSING_MM, EAST, NORTH, SHOTS, WALLS, off_wall_mm, scene, taped_mm, truth
from scene_pictures import render
from sillwright.camera import project
from sillwright.job import load_job
from sillwright.photo import read_facts, read_pixels
from sillwright.solve.state import card_points

STORED = json.loads((LOT / "truth.json").read_text(encoding="utf-8"))


def test_truth_and_readings_are_what_the_script_writes() -> None:
    assert json.loads(json.dumps(truth())) == STORED
    assert (LOT / "levels.csv").read_text(encoding="utf-8") == levels_csv()


def test_the_job_file_says_what_lies_there() -> None:
    job = load_job(LOT / "job.toml")
    assert {job.file_name(photo) for photo in job.photos} == {shot.file for shot in SHOTS}
    for run, wall in zip(job.runs, WALLS, strict=True):
        assert (run.name, run.cards) == (wall.name, tuple(card[0] for card in wall.cards))
        assert [tape.length_mm for tape in run.tape] == pytest.approx([taped_mm(wall)])


def test_the_photos_are_taken_as_the_readme_asks() -> None:
    """Two whole cards in each, a card of each wall at the corner, every bolt in two or more."""
    shown = {photo["file"]: set(photo["cards_whole"]) for photo in STORED["photos"]}
    assert all(len(cards) >= 2 for cards in shown.values())
    walls = [{card["number"] for card in run["cards"]} for run in STORED["runs"]]
    at_corner = [cards for file, cards in shown.items() if file.startswith("corner/")]
    assert len(at_corner) == 3
    assert all(cards & wall for cards in at_corner for wall in walls)
    assert all(len(bolt["photos"]) >= 2 for run in STORED["runs"] for bolt in run["bolts"])


def test_how_a_photo_is_to_be_turned_differs_from_photo_to_photo() -> None:
    stored = {shot.file: read_facts(LOT / shot.file).orientation for shot in SHOTS}
    assert stored == {shot.file: shot.orientation for shot in SHOTS}
    assert set(stored.values()) == {1, 3, 6, 8}


def test_both_chalk_lines_go_through_the_crossing_at_the_corners_angle() -> None:
    north = NORTH.world(np.array([[CROSSING_MM[0], 0.0, 0.0], [0.0, 0.0, 0.0]]))
    east = EAST.world(np.array([[CROSSING_MM[1], 0.0, 0.0], [0.0, 0.0, 0.0]]))
    assert north[0] == pytest.approx(east[0])
    back, on = north[1] - north[0], east[1] - east[0]
    angle_deg = np.degrees(np.arccos(back @ on / np.linalg.norm(back) / np.linalg.norm(on)))
    assert angle_deg == pytest.approx(CORNER_DEG)


def test_bolts_and_cards_lie_on_the_concrete() -> None:
    site = scene()
    places = np.array([bar.bolt.base_mm for bar in site.bars] + [card.origin_mm for card in site.cards])
    assert (np.maximum(*off_wall_mm(places[:, 0], places[:, 1])) < -15.0).all()


@pytest.mark.parametrize("card", [4, 8])
def test_a_photo_shows_what_is_drawn_today(card: int) -> None:
    """The middle of a card in the last photo that shows it: a site that moved by half a pixel would not agree."""
    site, shows = scene(), [k for k, photo in enumerate(STORED["photos"]) if card in photo["cards_whole"]]
    photo, lies = shows[-1], site.cards[site.numbers.index(card)]
    middle = project(site.camera, site.poses[photo], card_points(lies, site.scale, np.array([[120.0, 45.0]])))[0]
    left, top = (int(v) - 60 for v in middle)
    window = (left, top, 120, 120)
    drawn = render(site, photo, look=SITE, window=window, samples=FINE_SAMPLES, blur_px=LENS_BLUR_PX, noise=0.0)
    stored = read_pixels(LOT / SHOTS[photo].file)[top : top + 120, left : left + 120]
    grey = [cv2.cvtColor(picture, cv2.COLOR_BGR2GRAY).astype(float).ravel() for picture in (drawn, stored)]
    assert np.corrcoef(*grey)[0, 1] > 0.99
