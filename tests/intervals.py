"""Do 95 % intervals hold 95 times in 100? Random scenes with exact truth, as a table and a histogram.

    python tests/intervals.py [--scenes 500] [--first 0] [--workers 2]

Not a test: run it by hand. Cards and the chalk line are seen with noise and without a picture, bolts in small drawn
pictures. What the photos cannot see is drawn from the priors the intervals count: how high the concrete stands at a
bolt, how rough it is there, how far the powder lies off the string, how the cards lie, what the lens is. The light
comes from anywhere: it pulls a bolt's edges by a seventh of a pixel, all of one scene the same way.
"""

from __future__ import annotations

import argparse
import os
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass, replace
from multiprocessing import get_context
from pathlib import Path

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

import cv2
import numpy as np
from rich.console import Console
from rich.table import Table
from scipy.stats import chi2

from scene_pictures import Look, bolt_view, lit_from
from scenes import Bar, Scene, draw_scene, inside, problem_of, see_cards, see_line, truth_of
from sillwright.camera import Array, Pose, project
from sillwright.measure.block import Block
from sillwright.measure.find import lay_over
from sillwright.measure.record import (
    BASE_ROUGHNESS_MM,
    LINE_ON_ROUGH_CONCRETE_MM,
    TIP_HEIGHT_SHAPE_MM,
    TIP_SHAPE_MM,
    bolt_covariance,
    bolt_record,
)
from sillwright.measure.scale import ScaleVerdict
from sillwright.measure.search import BoltShape
from sillwright.measure.verdict import Judged, judge_shapes
from sillwright.outline import Bolt
from sillwright.see.chalk import SHARED_ERROR, TRACE_ALONG_MM
from sillwright.solve.adjust import adjust
from sillwright.solve.axis import SHARED_SCATTER, BoltView
from sillwright.solve.climb import FOOT_SIGMA_MM
from sillwright.solve.state import Problem

CHAMFER_MM, PITCH_MM = 1.2, 1.954
KINDS = ("station", "setback", "lean along", "lean across", "lean", "stick-up")


@dataclass(frozen=True)
class Number:
    """One number of one bolt: what it is of, how far it is off, its u95, and the least sigma anyone could reach.

    bound : by Cramer and Rao, from the same photos, priors and unseen effects, every edge sample counted as one of its
    own
    """

    scene: int
    kind: str
    error: float
    u95: float
    bound: float


def one(seed: int) -> list[Number]:
    """Every number of one scene."""
    cv2.setNumThreads(1)
    rng = np.random.default_rng(100_000 + seed)
    scene = draw_scene(seed)
    bars = tuple(replace(bar, chamfer_mm=CHAMFER_MM, repeat_mm=PITCH_MM) for bar in scene.bars)
    chalk = replace(scene.chalk[0], wave_mm=abs(0.2 * rng.standard_normal()), wave_length_mm=rng.uniform(150.0, 900.0))
    scene = replace(scene, bars=bars, chalk=(chalk,))
    problem = problem_of(
        scene, see_cards(scene, rng), see_line(scene, rng, stated_mm=0.25 * SHARED_ERROR, step_mm=TRACE_ALONG_MM)
    )
    if not _hangs_together(problem):
        return []
    solution = adjust(problem, truth_of(scene))
    count = len(scene.poses)
    look = lit_from(np.random.default_rng(300_000 + seed).uniform(0.0, 2.0 * np.pi))
    block = Block(tuple(Path(f"{i}.jpg") for i in range(count)), scene.numbers, scene.numbers, problem, solution, {})
    zero_mm = scene.cards[0].origin_mm[0]
    string_mm = LINE_ON_ROUGH_CONCRETE_MM * rng.standard_normal()
    out = []
    for k, bar in enumerate(scene.bars):
        level_mm = float(np.clip(FOOT_SIGMA_MM * rng.standard_normal(), -2.5 * FOOT_SIGMA_MM, 2.5 * FOOT_SIGMA_MM))
        views = [view for i in range(count) if (view := _seen(scene, block, i, k, level_mm, look)) is not None]
        if len(views) < 2:
            continue
        bolt = bar.bolt
        start = _as_solved(scene, views[0], bolt, level_mm)
        start += np.append(rng.normal(0.0, 0.5, 4), [rng.normal(0.0, 1.0), 0.0, 0.0])
        shape = BoltShape(bolt.radius_mm, CHAMFER_MM, None)
        seen = lay_over(views, [start], shape)
        if seen is None:
            continue
        (judged,) = judge_shapes([seen], ((None, None),) * count, shape)
        if not isinstance(judged, Judged):
            continue
        scale = ScaleVerdict("bolts", 0.003, (), True, 0.0)
        names = [f"{i}.jpg" for i in range(count)]
        record = bolt_record(block, judged, "1", 1.0, 12.7, CHAMFER_MM, scale, names)
        if record.status != "ok":
            continue
        rough = BASE_ROUGHNESS_MM * rng.standard_normal(2)
        shape = TIP_SHAPE_MM * rng.standard_normal(2)
        lean = (bolt.tip_mm - bolt.base_mm)[:2] + shape - rough
        stickup = bolt.stickup_mm + TIP_HEIGHT_SHAPE_MM * rng.standard_normal()
        assert record.lean_along_mm is not None
        pairs = (
            (record.station_mm, bolt.base_mm[0] - zero_mm + rough[0], record.u95.station_mm),
            (record.setback_mm, bolt.base_mm[1] + rough[1] + string_mm, record.u95.setback_mm),
            (record.lean_along_mm, lean[0], record.u95.lean_along_mm),
            (record.lean_across_mm, lean[1], record.u95.lean_across_mm),
            (record.lean_deg, float(np.degrees(np.arctan(np.hypot(*lean) / bolt.tip_mm[2]))), record.u95.lean_deg),
            (record.stickup_mm, stickup, record.u95.stickup_mm),
        )
        out += [
            Number(seed, kind, value - true, u95, least)
            for kind, (value, true, u95), least in zip(KINDS, pairs, _bounds(block, judged), strict=True)
        ]
    return out


def _hangs_together(problem: Problem) -> bool:
    """Whether cards join all photos; of a run of which they do not, the rest is left out before it is adjusted."""
    cards = {problem.zero_card}
    for _ in problem.card_seen:
        photos = {seen.photo for seen in problem.card_seen if seen.card in cards}
        cards |= {seen.card for seen in problem.card_seen if seen.photo in photos}
    return all(seen.card in cards for seen in problem.card_seen)


def _sigma_of_mean(scenes: list[int], error: Array) -> float:
    """Standard error of the mean: the bolts of one scene share its scale and its cameras (a cluster-robust sum)."""
    off = error - error.mean()
    together = np.bincount(scenes, weights=off)
    return float(np.sqrt(np.sum(together**2))) / len(error)


def _bounds(block: Block, judged: Judged) -> tuple[float, ...]:
    """The bound of each kind of number: what the covariance is without the allowance for samples that share errors."""
    fit = judged.found.fit
    all_own = bolt_covariance(block, judged, CHAMFER_MM) - (1.0 - SHARED_SCATTER**-2) * fit.covariance
    to_lean = np.array([[-1.0, 0.0, 1.0, 0.0, 0.0], [0.0, -1.0, 0.0, 1.0, 0.0]])
    spread = to_lean @ all_own[:5, :5] @ to_lean.T
    height_mm = float(fit.parameters[4])
    lean = fit.parameters[2:4] - fit.parameters[:2]
    lean_deg = float(np.degrees(np.sqrt(lean @ spread @ lean) / max(np.linalg.norm(lean), 1e-9) / height_mm))
    stickup_mm = float(np.sqrt(all_own[4, 4] + FOOT_SIGMA_MM**2))
    base = np.sqrt(np.diag(all_own)[:2])
    return (float(base[0]), float(base[1]), *(float(s) for s in np.sqrt(np.diag(spread))), lean_deg, stickup_mm)


def _as_solved(scene: Scene, view: BoltView, bolt: Bolt, level_mm: float) -> Array:
    """Where a bolt stands in the solved frame, as a search would start from: by one photo's true and solved pose."""
    true = scene.poses[view.photo]
    ends = np.array([bolt.base_mm, bolt.tip_mm + np.array([0.0, 0.0, level_mm])])
    in_camera = (ends @ true.rotation.T + true.translation_mm) * (view.pose.centre_mm[2] / true.centre_mm[2])
    base, tip = (in_camera - view.pose.translation_mm) @ view.pose.rotation
    return np.array([base[0], base[1], *tip, bolt.radius_mm, level_mm])


def _seen(scene: Scene, block: Block, photo: int, bar: int, level_mm: float, look: Look) -> BoltView | None:
    """The bolt as a photo shows it on concrete that stands ``level_mm`` over the mean plane there."""
    bolt = scene.bars[bar].bolt
    ends = np.array([bolt.base_mm, bolt.tip_mm])
    if not inside(scene.camera, project(scene.camera, scene.poses[photo], ends), 260.0).all():
        return None
    # Over a floor that is higher by so much the phone hangs lower by as much, and the foot's axis stays where it is.
    raised = Bar(bolt, CHAMFER_MM, PITCH_MM)
    pose = scene.poses[photo]
    lower = Pose(pose.rotation, pose.translation_mm + pose.rotation @ np.array([0.0, 0.0, level_mm]))
    drawn = replace(scene, poses=(lower,), bars=(raised,), chalk=(), numbers=(), cards=())
    view = bolt_view(drawn, 0, 0, seed=photo, look=look)
    camera, pose = block.camera(photo), block.pose(photo)
    return replace(view, photo=photo, camera=camera, pose=pose, fine=replace(view.fine, camera=camera, pose=pose))


def main() -> None:
    """Run the scenes and print the table and the histogram of normalised errors."""
    parser = argparse.ArgumentParser()
    parser.add_argument("--scenes", type=int, default=500)
    parser.add_argument("--first", type=int, default=0)
    parser.add_argument("--workers", type=int, default=2)
    given = parser.parse_args()
    with ProcessPoolExecutor(given.workers, mp_context=get_context("spawn")) as pool:
        seeds = range(given.first, given.first + given.scenes)
        rows = [row for rows in pool.map(one, seeds, chunksize=4) for row in rows]
    console = Console(width=150)
    table = Table(title=f"{given.scenes} scenes, bolts in two photos or more with status ok (mm, degrees)")
    for head in ("number", "count", "mean error", "its own sigma", "rms", "bound", "rms u95", "in u95", "NEES", "band"):
        table.add_column(head)
    for kind in KINDS:
        mine = [row for row in rows if row.kind == kind]
        error, u95 = np.array([row.error for row in mine]), np.array([row.u95 for row in mine])
        bound = float(np.sqrt(np.mean([row.bound**2 for row in mine])))
        n = len(error)
        nees = float(np.mean((error / (u95 / 1.96)) ** 2))
        low, high = chi2.ppf([0.025, 0.975], n) / n
        table.add_row(
            kind, str(n), f"{error.mean():+.3f}", f"{_sigma_of_mean([row.scene for row in mine], error):.3f}",
            f"{np.sqrt(np.mean(error**2)):.3f}", f"{bound:.3f}", f"{np.sqrt(np.mean(u95**2)):.3f}",
            f"{100.0 * np.mean(np.abs(error) <= u95):.1f} %", f"{nees:.2f}", f"{low:.2f} to {high:.2f}",
        )  # fmt: skip
    console.print(table)
    edges = np.arange(-4.0, 4.5, 0.5)
    for kind in ("station", "setback"):
        normalised = np.array([row.error / (row.u95 / 1.96) for row in rows if row.kind == kind])
        counts, _ = np.histogram(normalised, edges)
        console.print(f"{kind}, error over its sigma:")
        for left, count in zip(edges, counts, strict=False):
            console.print(f"  {left:+.1f} {'#' * round(200 * count / max(len(normalised), 1))}")


if __name__ == "__main__":
    main()
