"""A survey made from the exact truth of a rendered scene, for the tests of everything that is told."""

from __future__ import annotations

import json
from dataclasses import replace
from functools import cache
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from sillwright.camera import project
from sillwright.survey import (
    BoltRecord,
    BoltU95,
    CameraRecord,
    CardRecord,
    CornerRecord,
    EdgeRecord,
    Finding,
    PhotoRecord,
    RunRecord,
    Survey,
    ViewRecord,
    left_handed,
    view_of,
)
from sillwright.tell.frames import bolt_tip_mm, camera_of, pose_of

PHOTOS = Path(__file__).resolve().parents[1] / "../shared/photos"
U95 = BoltU95(0.6, 0.5, 0.8, 0.8, 0.6, 1.4)


def scene_folder(scene: str) -> Path:
    folder = PHOTOS / scene
    if not (folder / "truth.json").is_file():
        pytest.skip(f"no photos of scene {scene} beside the repository")
    return folder


@cache
def truth_survey(scene: str) -> Survey:
    truth = json.loads((scene_folder(scene) / "truth.json").read_text())
    facts = json.loads((scene_folder(scene) / "job_facts.json").read_text())
    runs = tuple(_run(run, facts["line_marks"]) for run in truth["runs"])
    corner = truth.get("corner")
    corners = (CornerRecord(tuple(corner["runs"]), corner["angle_deg"], 0.05, corner["station_mm"]),) if corner else ()
    return Survey(scene, runs, corners, tuple(_photo(photo, truth["runs"]) for photo in truth["photos"]))


def _run(run: dict[str, Any], line_marks: Any) -> RunRecord:
    letter = run["name"][0].upper()
    bolts = tuple(
        BoltRecord(
            f"{letter}{number}",
            bolt["station_mm"],
            bolt["setback_mm"],
            bolt["lean_along_mm"],
            bolt["lean_across_mm"],
            bolt["lean_deg"],
            bolt["stickup_mm"],
            "photos",
            bolt["diameter_mm"],
            U95,
            tuple(bolt["photos"]),
            "ok",
        )
        for number, bolt in enumerate(run["bolts"], start=1)
    )
    cards = tuple(CardRecord(c["number"], c["station_mm"], c["setback_mm"], c["turn_deg"]) for c in run["cards"])
    zero_mm = run["frame"]["station_zero_x_mm"]
    edges = []
    for points in run["edges"].values():
        if points:
            x_mm, y_mm = np.array(points).T
            slope, at = np.polyfit(x_mm - zero_mm, y_mm, 1)
            edges.append(EdgeRecord(float(at), float(slope)))
    color = run["chalk_lines"][0]["color"]
    return RunRecord(
        run["name"],
        "ok",
        (),
        bolts,
        cards,
        line_marks,
        color,
        scale_from="check length",
        scale_u95_ratio=3e-4,
        edges=tuple(edges),
    )


def _photo(photo: dict[str, Any], runs: list[dict[str, Any]]) -> PhotoRecord:
    to_camera, shift_mm = np.array(photo["R_world_to_camera"]), np.array(photo["t_world_to_camera_mm"])
    views = []
    for run in runs:
        frame = run["frame"]
        x_axis, y_axis = np.array(frame["x_axis_in_world"]), np.array(frame["y_axis_in_world"])
        rotation = to_camera @ np.column_stack([x_axis, y_axis, [0.0, 0.0, 1.0]])
        zero_mm = np.array(frame["origin_in_world_mm"]) + frame["station_zero_x_mm"] * x_axis
        views.append(
            ViewRecord(run["name"], tuple(map(tuple, rotation.tolist())), tuple(to_camera @ zero_mm + shift_mm))
        )
    return PhotoRecord(
        photo["file"],
        True,
        "ok",
        orientation=photo["exif_orientation"],
        cards=tuple(photo["cards_whole"]),
        camera=CameraRecord(
            photo["width"],
            photo["height"],
            tuple(map(tuple, photo["camera_matrix"])),
            tuple(photo["distortion_k1_k2_p1_p2_k3"]),
        ),
        views=tuple(views),
    )


def with_bolt(survey: Survey, mark: str, **changes: Any) -> Survey:
    """The survey with one bolt changed."""
    runs = tuple(
        replace(run, bolts=tuple(replace(b, **changes) if b.mark == mark else b for b in run.bolts))
        for run in survey.runs
    )
    return replace(survey, runs=runs)


def doubtful_survey(scene: str) -> Survey:
    """The scene with one bolt to check, one to shoot again, and doubts of every kind about photos and run."""
    survey = truth_survey(scene)
    run = survey.runs[0]
    marks = [bolt.mark for bolt in run.bolts]
    survey = with_bolt(
        survey,
        marks[0],
        status="check",
        reasons=(Finding("wide-interval", value_mm=1.9), Finding("base-hidden")),
        u95=replace(U95, setback_mm=1.9),
    )
    if len(marks) > 1:
        survey = with_bolt(
            survey,
            marks[-1],
            status="reshoot",
            reasons=(Finding("one-view", photos=run.bolts[-1].photos[:1]), Finding("weak-evidence")),
        )
    first = survey.photos[0]
    photo = replace(first, status="check", reasons=(Finding("not-joined", photos=(first.file, survey.photos[1].file)),))
    dark = PhotoRecord("gone/dark.jpg", False, "reshoot", (Finding("too-dark"),))
    run = replace(
        survey.runs[0],
        status="check",
        reasons=(Finding("scale-unverified"),),
        scale_from="print",
        scale_u95_ratio=0.001,
        cards=(replace(run.cards[0], reasons=(Finding("card-tilted", cards=(run.cards[0].number,)),)), *run.cards[1:]),
    )
    return replace(survey, runs=(run, *survey.runs[1:]), photos=(photo, *survey.photos[1:], dark))


@pytest.mark.parametrize("scene", ["d2", "d3", "d4"])
def test_the_record_projects_a_bolt_where_the_scene_has_it(scene: str) -> None:
    """Run frame and world give the same pixel for base and tip, so the fixture's poses are right."""
    survey = truth_survey(scene)
    truth = json.loads((scene_folder(scene) / "truth.json").read_text())
    for run, true_run in zip(survey.runs, truth["runs"], strict=True):
        for bolt, true_bolt in zip(run.bolts, true_run["bolts"], strict=True):
            photo = next(p for p in survey.photos if p.file in bolt.photos)
            true_photo = next(p for p in truth["photos"] if p["file"] == photo.file)
            view = view_of(photo, run.name)
            assert photo.camera is not None
            assert view is not None
            camera = camera_of(photo.camera)
            tip_px = project(camera, pose_of(view), bolt_tip_mm(bolt))
            in_camera = np.array(true_photo["R_world_to_camera"]) @ true_bolt["tip_world_mm"]
            in_camera = in_camera + true_photo["t_world_to_camera_mm"]
            ideal = project(camera, replace_pose(), in_camera[None])
            assert tip_px == pytest.approx(ideal, abs=0.05)


def replace_pose() -> Any:
    """A camera at the origin of its own frame."""
    from sillwright.camera import Pose

    return Pose(np.eye(3), np.zeros(3))


def test_only_the_left_handed_scene_is_told_as_left_handed() -> None:
    assert left_handed(truth_survey("d2"), "main") is False
    assert left_handed(truth_survey("d3"), "main") is True
    assert left_handed(truth_survey("d3"), "no such run") is None
