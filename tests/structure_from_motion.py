"""The same photos placed by a general-purpose structure-from-motion library, beside sillwright, as a table.

    python -m pip install -e ".[benchmark]"
    python tests/structure_from_motion.py [FOLDER] [SCENE ...] [--as-taken | --cards-in-view]

Not a test: run it by hand. The library (pycolmap: SIFT, every pair matched, incremental mapping) has what a surveyor
would give it: full-size photos, the calibrated lens, held, and, but for --as-taken, masks drawn by the truth. They hide
the ground, which is rendered with a texture that repeats, and the cards (but for --cards-in-view), which look alike: on
either the library takes one place for another. The cards then give size and level.

Bolts and chalk are picked in each photo where the truth puts them, which no hand does and no powder on rough concrete
shows, and again with 1 px of noise on each pick. The same picks in the photos as sillwright placed them tell the
placing from the reading.
"""

from __future__ import annotations

import json
import os
import sys
import tempfile
from dataclasses import dataclass
from itertools import pairwise
from pathlib import Path

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")  # as the command does: idle threads would count as work

import cv2
import numpy as np
import pycolmap
from numpy.typing import NDArray
from rich.console import Console
from rich.table import Table

from benchmark import SHARED_PHOTOS, Errors, calibrated, compare, rms, scene_job
from sillwright import photo as photo_files
from sillwright.camera import Array, Camera, Pose, meet_plane, project, rays
from sillwright.cards import scale_card
from sillwright.job import Job
from sillwright.measure import measure_job
from sillwright.photo import read_gray
from sillwright.profile import read_profile
from sillwright.see.charuco import find_boards
from sillwright.survey import Survey, view_of
from sillwright.tell.frames import camera_of, pose_of

SCENES = ("d2", "d3", "d4")  # those with bolts and more than one photo, printed true to size
BORDER_PX = 20  # features nearer to the painted ground than this would be of the paint
PAPER_MM = np.array([[-15.0, -15.0], [275.0, -15.0], [275.0, 105.0], [-15.0, 105.0]])  # a card, its margin and words
PICK_EVERY_MM = 100.0
PICK_SIGMA_PX = 1.0
DRAWS = 200
TIMES_BEFORE, TIMES_AFTER = 3, 2  # the library's work: a machine's pace changes from minute to minute
MIN_CORNERS = 6
ALL, WALL, CONCRETE = "all", "the wall and what lies on it", "bare concrete"  # what the library is let see


Placed = dict[str, tuple[Camera, Pose]]  # file name to the lens and pose a photo is thought to have


@dataclass(frozen=True)
class Picked:
    """One run's points in each placed photo, by file name: chalk (N, 2), NaN where outside; bolt id to (2, 2)."""

    chalk_px: dict[str, Array]
    base_and_tip_px: dict[str, dict[str, Array]]


def true_camera(photo: dict) -> tuple[Camera, Pose]:
    """The camera that a photo of a scene was rendered with."""
    matrix = np.array(photo["camera_matrix"])
    numbers = [matrix[0, 0], matrix[1, 1], matrix[0, 2], matrix[1, 2], *photo["distortion_k1_k2_p1_p2_k3"]]
    pose = Pose(np.array(photo["R_world_to_camera"]), np.array(photo["t_world_to_camera_mm"]))
    return Camera(photo["width"], photo["height"], *numbers), pose


def in_world(run: dict, along_and_across_mm: Array) -> Array:
    """Points of a run's plane, shape (N, 2), in the world, shape (N, 3)."""
    frame = run["frame"]
    axes = np.array([frame["x_axis_in_world"], frame["y_axis_in_world"]])
    return np.array(frame["origin_in_world_mm"]) + np.asarray(along_and_across_mm) @ axes


def wall_top(truth: dict, photo: dict) -> NDArray[np.uint8]:
    """255 where a photo shows the top of a wall, by the truth's outline; shape (height, width)."""
    camera, pose = true_camera(photo)
    mask = np.zeros((camera.height_px, camera.width_px), np.uint8)
    for run in truth["runs"]:
        outer, inner = (in_world(run, run["edges"][side]) for side in ("outer", "inner"))
        for i in range(len(outer) - 1):
            _fill(mask, project(camera, pose, np.array([outer[i], outer[i + 1], inner[i + 1], inner[i]])), 255)
    return mask


def without_cards(mask: NDArray[np.uint8], truth: dict, photo: dict) -> NDArray[np.uint8]:
    """The same, with 0 where the photo shows a card."""
    camera, pose = true_camera(photo)
    bare = mask.copy()
    for run in truth["runs"]:
        for card in run["cards"]:
            axes = np.array([card["x_axis"], card["y_axis"]])[:, :2]
            _fill(bare, project(camera, pose, in_world(run, np.array(card["origin_mm"])[:2] + PAPER_MM @ axes)), 0)
    return bare


def _fill(mask: NDArray[np.uint8], corners_px: Array, value: int) -> None:
    if np.isfinite(corners_px).all():
        cv2.fillConvexPoly(mask, np.round(corners_px).astype(np.int32), value)


def write_photos(scene: Path, truth: dict, work: Path, shown: str) -> list[str]:
    """Photos with the ground painted over, and masks; the names. Masks alone would leave SIFT's quota to the ground."""
    names = []
    for photo in truth["photos"]:
        names.append(Path(photo["file"]).with_suffix(".png").name)
        gray = read_gray(scene / photo["file"])
        if shown == ALL:
            cv2.imwrite(str(work / "photos" / names[-1]), gray)
            continue
        mask = wall_top(truth, photo)
        gray[mask == 0] = np.median(gray[mask > 0])
        kernel = np.ones((2 * BORDER_PX + 1, 2 * BORDER_PX + 1), np.uint8)
        # Outside the photo counts as wall: there is no paint beyond its border.
        inner = cv2.erode(mask, kernel, borderType=cv2.BORDER_CONSTANT, borderValue=255)
        cv2.imwrite(str(work / "photos" / names[-1]), gray)
        seen = inner if shown == WALL else without_cards(inner, truth, photo)
        cv2.imwrite(str(work / "masks" / f"{names[-1]}.png"), seen)
    return names


def place(scene: Path, truth: dict, camera: Camera, shown: str) -> tuple[dict[str, Pose], float]:
    """File name to pose of each photo the library placed, its unit unknown; and the processor time it took, s."""
    with tempfile.TemporaryDirectory() as folder:
        work = Path(folder)
        for name in ("photos", "masks"):
            (work / name).mkdir()
        names = write_photos(scene, truth, work, shown)
        start = sum(os.times()[:4])
        found = _map(work, names, camera, masked=shown != ALL)
        spent = sum(os.times()[:4]) - start
    files = dict(zip(names, (photo["file"] for photo in truth["photos"]), strict=True))
    best = max(found.values(), key=lambda one: one.num_reg_images(), default=None)
    poses = {}
    for image in best.images.values() if best else ():
        if image.has_pose:
            matrix = image.cam_from_world().matrix()
            poses[files[image.name]] = Pose(matrix[:, :3], matrix[:, 3])
    return poses, spent


def _map(work: Path, names: list[str], camera: Camera, *, masked: bool) -> dict:
    reader = pycolmap.ImageReaderOptions()
    reader.camera_model = "FULL_OPENCV"
    if masked:
        reader.mask_path = work / "masks"
    # There the middle of the first pixel is (0.5, 0.5).
    numbers = [camera.fx, camera.fy, camera.cx + 0.5, camera.cy + 0.5, *camera.distortion, 0.0, 0.0, 0.0]
    reader.camera_params = ",".join(repr(float(number)) for number in numbers)
    features, matching = pycolmap.FeatureExtractionOptions(), pycolmap.FeatureMatchingOptions()
    mapping = pycolmap.IncrementalPipelineOptions()
    for options in (features, matching, mapping):
        options.num_threads = 1
    mapping.ba_refine_focal_length = mapping.ba_refine_principal_point = mapping.ba_refine_extra_params = False
    mapping.random_seed = 0
    photos, database = work / "photos", work / "features.db"
    device, one_lens = pycolmap.Device.cpu, pycolmap.CameraMode.SINGLE
    pycolmap.extract_features(database, photos, names, one_lens, reader, features, device=device)
    pycolmap.match_exhaustive(database, matching, device=device)
    return pycolmap.incremental_mapping(database, photos, work, mapping)


def nearest_to_rays(views: list[tuple[Camera, Pose]], px: Array) -> Array:
    """The point nearest to the rays through one pixel of each photo, by angle; px (V, 2), point (3,)."""
    centres = np.array([pose.centre_mm for _, pose in views])
    ways = np.concatenate([rays(lens, pose, one) for (lens, pose), one in zip(views, px, strict=True)])
    across = np.eye(3) - ways[:, :, None] * ways[:, None, :]
    weight = np.ones(len(views))
    for _ in range(3):
        normal = weight[:, None, None] * across
        point = np.linalg.solve(normal.sum(axis=0), np.einsum("vij,vj->i", normal, centres))
        weight = 1.0 / np.sum((point - centres) ** 2, axis=1)
    return point


def card_corners(scene: Path, placed: Placed, numbers: list[int]) -> list[tuple[Array, Array]]:
    """For each card in two placed photos or more: its corners on the print (N, 2) and in the poses' frame (N, 3)."""
    specs = [scale_card(number) for number in numbers]
    boards = {file: find_boards(read_gray(scene / file), specs) for file in placed}
    found = []
    for j in range(len(specs)):
        seen: dict[tuple[float, float], list[tuple[str, Array]]] = {}
        for file, sightings in boards.items():
            board = sightings[j]
            if board is not None:
                for corner, px in zip(board.board_mm, board.corners_px, strict=True):
                    seen.setdefault(tuple(corner), []).append((file, px))
        seen = {corner: views for corner, views in seen.items() if len(views) > 1}
        if len(seen) >= MIN_CORNERS:
            points = [_met(placed, views) for views in seen.values()]
            found.append((np.array(list(seen)), np.array(points)))
    return found


def _met(placed: Placed, picks: list[tuple[str, Array]]) -> Array:
    return nearest_to_rays([placed[file] for file, _ in picks], np.array([px for _, px in picks]))


def mm_to_a_unit(corners: list[tuple[Array, Array]]) -> float:
    """One scale for all cards, each card's place and turn its own (S. Umeyama, PAMI 13(4), 1991, eq. 42)."""
    fitted = spread = 0.0
    for board_mm, points in corners:
        board = np.column_stack([board_mm, np.zeros(len(board_mm))])
        board, found = board - board.mean(axis=0), points - points.mean(axis=0)
        fitted += float(np.linalg.svd(found.T @ board, compute_uv=False)[:2].sum())  # flat: the third is 0
        spread += float(np.sum(board**2))
    return spread / fitted


def levelled(placed: Placed, corners: list[tuple[Array, Array]], thickness_mm: float) -> Placed:
    """The poses in mm, in a frame with the concrete at Z = 0: the cards' mean plane, less their thickness."""
    size = mm_to_a_unit(corners)
    every = size * np.concatenate([points for _, points in corners])
    middle = every.mean(axis=0)
    axes = np.linalg.svd(every - middle)[2]
    if (size * next(iter(placed.values()))[1].centre_mm - middle) @ axes[2] < 0:
        axes[2] = -axes[2]
    axes[1] = np.cross(axes[2], axes[0])
    shift = middle - thickness_mm * axes[2]
    return {
        file: (lens, Pose(pose.rotation @ axes.T, size * pose.translation_mm + pose.rotation @ shift))
        for file, (lens, pose) in placed.items()
    }


def placed_by_cards(survey: Survey, run: str) -> Placed:
    """The photos of a run as sillwright placed them."""
    views = {photo.file: (photo.camera, view_of(photo, run)) for photo in survey.photos}
    return {Path(file).name: (camera_of(lens), pose_of(view)) for file, (lens, view) in views.items() if lens and view}


def true_picks(run: dict, photos: list[dict]) -> Picked:
    """Where the photos show a run's chalk line, every 100 mm, and the base and the tip of each bolt."""
    line = next(line for line in run["chalk_lines"] if line["y_mm"] == 0.0)
    along = np.arange(line["x_from_mm"], line["x_to_mm"], PICK_EVERY_MM)
    chalk = in_world(run, np.column_stack([along, np.zeros(len(along))]))
    chalk_px, bolts_px = {}, {}
    for photo in photos:
        camera, pose = true_camera(photo)
        px = project(camera, pose, chalk)
        last = [camera.width_px - 1, camera.height_px - 1]
        px[~np.all((px >= 0) & (px <= last), axis=1)] = np.nan
        chalk_px[photo["file"]] = px
        bolts_px[photo["file"]] = {
            bolt["id"]: project(camera, pose, np.array([bolt["base_world_mm"], bolt["tip_world_mm"]]))
            for bolt in run["bolts"]
            if photo["file"] in bolt["photos"]
        }
    return Picked(chalk_px, bolts_px)


def with_noise(picked: Picked, sigma_px: float, rng: np.random.Generator) -> Picked:
    """The same points as a hand would pick them."""
    chalk = {file: px + rng.normal(0.0, sigma_px, px.shape) for file, px in picked.chalk_px.items()}
    bolts = {
        file: {name: px + rng.normal(0.0, sigma_px, px.shape) for name, px in seen.items()}
        for file, seen in picked.base_and_tip_px.items()
    }
    return Picked(chalk, bolts)


def measured(truth: dict, picked: list[Picked], placed: list[Placed]) -> Errors:
    """Every run measured from picked points in photos placed for it (mm, concrete at Z = 0), against its truth."""
    errors = Errors()
    for run, points, photos in zip(truth["runs"], picked, placed, strict=True):
        errors.bolts += len(run["bolts"])
        _measure_run(run, points, photos, errors)
    return errors


def _measure_run(run: dict, picked: Picked, placed: Placed, errors: Errors) -> None:
    middle, along = _line(picked, placed)
    # In a left-handed frame what is left of the line by the numbers lies to its right.
    hand = run["frame"]["y_sign"] * np.sign(np.linalg.det(next(iter(placed.values()))[1].rotation))
    across = hand * np.array([-along[1], along[0]])
    pairs: list[tuple[float, dict]] = []
    for bolt in run["bolts"]:
        by_photo = [(file, picked.base_and_tip_px[file].get(bolt["id"])) for file in placed]
        seen = [(file, px) for file, px in by_photo if px is not None]
        if len(seen) < 2:
            errors.missed.append(bolt["id"])
            continue
        base, tip = (_met(placed, [(file, px[end]) for file, px in seen]) for end in (0, 1))
        foot = (base + (tip - base) * base[2] / (base[2] - tip[2]))[:2] - middle
        errors.setback_mm.append(float(foot @ across) - bolt["setback_mm"])
        pairs.append((float(foot @ along), bolt))
    for (one, true_one), (two, true_two) in pairwise(pairs):
        errors.station_step_mm.append(two - one - (true_two["station_mm"] - true_one["station_mm"]))


def _line(picked: Picked, placed: Placed) -> tuple[Array, Array]:
    """A point of the straight line through all picks of the chalk, and its way along the run; both (2,)."""
    by_photo = []
    for file, (lens, pose) in placed.items():
        px = picked.chalk_px[file]
        met = meet_plane(lens, pose, px[np.isfinite(px[:, 0])])[:, :2]
        by_photo.append(met[np.isfinite(met[:, 0])])
    every, longest = np.concatenate(by_photo), max(by_photo, key=len)
    middle = every.mean(axis=0)
    along = np.linalg.svd(every - middle)[2][0]
    return middle, along if (longest[-1] - longest[0]) @ along > 0 else -along


def main() -> None:
    """Measure the scenes both ways and print the table."""
    cv2.setNumThreads(1)
    arguments = sys.argv[1:]
    folder = Path(arguments[0]) if arguments and Path(arguments[0]).is_dir() else SHARED_PHOTOS
    wanted = [name for name in arguments if not Path(name).is_dir() and not name.startswith("--")] or SCENES
    shown = ALL if "--as-taken" in arguments else WALL if "--cards-in-view" in arguments else CONCRETE
    table = Table(
        title="The same photos, placed by sillwright and by a structure-from-motion library (mm)",
        caption=f"True picks: at the truth's image points. Hand picks: {PICK_SIGMA_PX:g} px of noise on each, "
        f"{DRAWS} draws; worst is the mean of their worst. The library's time is that of features, matching and "
        "mapping; sillwright's is that of measuring, bolts and line included, the mean of "
        f"{TIMES_BEFORE} rounds before it and {TIMES_AFTER} after.",
    )
    heads = "scene|measured from|photos posed|bolts missed|setback rms|worst|step rms|worst|CPU s/photo"
    for head in heads.split("|"):
        table.add_column(head)
    with tempfile.TemporaryDirectory() as work:
        profiles: dict[str, Path] = {}
        totals: list[tuple[int, float, float]] = []
        for scene in (folder / name for name in wanted):
            phone = json.loads((scene / "job_facts.json").read_text())["phone"].lower()
            if phone not in profiles:
                profiles[phone] = calibrated(folder / f"calibration_phone_{phone}", Path(work) / f"{phone}.json")
            totals.append(_add_scene(table, scene, profiles[phone], shown))
    count, own_s, spent_s = np.sum(totals, axis=0)
    blank = [""] * 5
    table.add_row("all", "sillwright's own survey", f"{count:.0f}", *blank, f"{own_s / count:.2f}")
    table.add_row("", "library's poses", "", *blank, f"{spent_s / count:.1f} ({spent_s / own_s:.1f} times)")
    Console(width=150).print(table)


def _add_scene(table: Table, scene: Path, profile: Path, shown: str) -> tuple[int, float, float]:
    """Rows of one scene; how many photos it has, and the processor time of sillwright and of the library, s."""
    truth, job = json.loads((scene / "truth.json").read_text()), scene_job(scene, profile)
    survey, before = _measured_anew(job, TIMES_BEFORE)
    own = [placed_by_cards(survey, run.name) for run in survey.runs]
    first = truth["photos"][0]
    lens = read_profile(profile).calibrated.camera.scaled(first["width"], first["height"])
    poses, spent_s = place(scene, truth, lens, shown)
    own_s = float(np.mean([*before, *_measured_anew(job, TIMES_AFTER)[1]]))
    loose: Placed = {file: (lens, pose) for file, pose in poses.items()}
    corners = card_corners(scene, loose, [number for run in job.runs for number in run.cards])
    theirs = [levelled(loose, corners, job.card_thickness_mm)] * len(own) if corners else []
    picked = [true_picks(run, truth["photos"]) for run in truth["runs"]]
    rng = np.random.default_rng(0)
    hands = [[with_noise(one, PICK_SIGMA_PX, rng) for one in picked] for _ in range(DRAWS)]
    count = len(truth["photos"])
    own_posed, spent = len(set().union(*own)), f"{spent_s / count:.1f} ({spent_s / own_s:.1f} times)"
    _row(table, scene.name, "sillwright's own survey", own_posed, [compare(survey, truth)], f"{own_s / count:.2f}")
    for picks, draws in (("true", [picked]), ("hand", hands)):
        for way, placed, posed, cost in (
            ("sillwright's", own, own_posed, ""),
            ("library's", theirs, len(loose), spent),
        ):
            errors = [measured(truth, draw, placed) for draw in draws] if placed else []
            _row(table, "", f"{picks} picks, {way} poses", posed, errors, cost)
    return count, own_s, spent_s


def _measured_anew(job: Job, times: int) -> tuple[Survey, list[float]]:
    """The survey, and the processor time each of several rounds took, s, its photos read from their files each time."""
    spent = []
    for _ in range(times):
        for kept in (photo_files._kept_gray, photo_files._kept_half):
            kept.cache_clear()
        start = sum(os.times()[:4])
        survey = measure_job(job)
        spent.append(sum(os.times()[:4]) - start)
    return survey, spent


def _row(table: Table, scene: str, way: str, posed: int, draws: list[Errors], cost: str) -> None:
    figures = []
    for kind in ("setback_mm", "station_step_mm"):
        errors = [getattr(draw, kind) for draw in draws if getattr(draw, kind)]
        worst = np.mean([np.max(np.abs(one)) for one in errors]) if errors else 0.0
        every = rms([value for one in errors for value in one])
        figures += [f"{every:.2f}", f"{worst:.2f}"] if errors else ["-", "-"]
    missed = (", ".join(draws[0].missed) or "-") if draws else "all"
    table.add_row(scene, way, str(posed), missed, *figures, cost)


if __name__ == "__main__":
    main()
