"""A small run for tests of what is made of a solution: two cards, two photos and a bolt."""

from __future__ import annotations

from dataclasses import replace
from functools import cache
from pathlib import Path

import numpy as np

from scene_pictures import bolt_view
from scenes import (
    PHONE,
    Bar,
    Chalk,
    Scene,
    axis_parameters,
    fit_axis,
    lying,
    overhead,
    problem_of,
    see_cards,
    see_line,
    truth_of,
)
from sillwright.fasteners import bolt_size
from sillwright.job import Job, RunJob
from sillwright.measure.block import (
    Block,
)
from sillwright.measure.find import FoundBolt
from sillwright.measure.record import bolt_record
from sillwright.measure.scale import ScaleVerdict
from sillwright.measure.verdict import Judged
from sillwright.outline import Bolt
from sillwright.solve.adjust import adjust
from sillwright.solve.axis import PartEvidence
from sillwright.solve.state import (
    TapeObservation,
)
from sillwright.survey import BoltRecord

PHOTOS = Path(__file__).resolve().parents[1] / "../shared/photos"
CHAMFER_MM = 1.2
CLEAR = PartEvidence(0.6, 0.6, 0.6, 0.6, 0.6, 9.0, 4.0)
TAPED = ScaleVerdict("tape", 0.0004, (), True, 0.0)
FILES = ("a.jpg", "b.jpg")


def bare_job(*runs: RunJob) -> Job:
    """A job of paper cards and 1/2 in bolts of which nothing more is said."""
    return Job(
        name="",
        folder=Path(),
        plate_width_mm=140.0,
        plate_layers=1,
        bolt=bolt_size("1/2 in"),
        stickup_mm=None,
        card_thickness_mm=0.3,
        check_length_mm=None,
        profile_path=None,
        runs=runs,
        corners=(),
    )


@cache
def run(side: float, *, taped: bool = False, printed: float = 1.0) -> tuple[Scene, Block, FoundBolt]:
    """Two cards, two photos and a bolt, all on one side of the line: +1 left of it looking along it, -1 right.

    printed : the scale the cards came out of the printer at
    """
    poses = (
        overhead(350.0, 20.0, 1250.0, lean_deg=(4.0, 2.0)),
        overhead(650.0, -40.0, 1300.0, lean_deg=(1.0, -3.0), turn_deg=178.0),
    )
    y = 100.0 if side > 0 else -10.0
    cards = (lying(0.0, y, 0.3, turn_deg=2.0), lying(720.0, y, 0.3, turn_deg=-1.0))
    base = np.array([480.0, 70.0 * side, 0.0])
    bolt = Bolt(base, base + np.array([2.0, 4.0 * side, 85.0]), 6.35)
    scene = Scene(PHONE, poses, (1, 2), cards, printed, chalk=(Chalk(),), bars=(Bar(bolt, CHAMFER_MM),))
    rng = np.random.default_rng(5)
    problem = problem_of(scene, see_cards(scene, rng), see_line(scene, rng))
    if taped:
        apart = float(np.linalg.norm(cards[1].origin_mm - cards[0].origin_mm))
        problem = replace(problem, taped=(TapeObservation(0, 1, apart),))
    solution = adjust(problem, truth_of(scene))
    block = Block(tuple(Path(name) for name in FILES), (1, 2), (1, 2), problem, solution, {})
    return scene, block, bolt_on(scene, block)


def bolt_on(scene: Scene, block: Block) -> FoundBolt:
    """The scene's bolt as it is found with the poses of a block, whatever scale that has."""
    views = []
    for photo in range(2):
        view, camera, pose = bolt_view(scene, photo, 0), block.camera(photo), block.pose(photo)
        fine = replace(view.fine, camera=camera, pose=pose)
        views.append(replace(view, camera=camera, pose=pose, fine=fine))
    start = axis_parameters(scene.bars[0].bolt) * block.solution.state.scale / scene.scale
    fit = fit_axis(views, start, 6.35, chamfer_mm=CHAMFER_MM, stickup_mm=None)
    return FoundBolt(fit, tuple(views), (CLEAR, CLEAR), 9.0, 0, False)


def record(side: float, scale: ScaleVerdict = TAPED, judged: Judged | None = None) -> BoltRecord:
    _, block, found = run(side)
    whole = judged or Judged(found, (), ())
    return bolt_record(block, whole, "N1", side, 12.7, CHAMFER_MM, scale, FILES)
