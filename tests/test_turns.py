"""Which way up photos were stored: told by the whole run, left open where it does not tell, and a misfit otherwise."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from scenes import LENS_SIGMA, PHONE, Scene, draw_scene, problem_of, see_cards, see_line, truth_of
from sillwright.camera import Pose
from sillwright.measure.block import Block
from sillwright.measure.lenses import LensOfPhoto
from sillwright.measure.misfit import misfits
from sillwright.measure.run_reasons import ZOOMED_SIGMAS, strange_lenses
from sillwright.measure.turns import doubted_lenses, turned_lenses, ways_up
from sillwright.measure.work import CardsSeen
from sillwright.profile import Lens
from sillwright.solve.adjust import Solution, adjust
from sillwright.solve.equations import normal_equations
from sillwright.solve.lens_choice import cheapest, cost_of_moves, zoomed_sigmas
from sillwright.solve.state import Problem
from small_run import bare_job

HALF = np.diag([-1.0, -1.0, 1.0])
JOB = bare_job()


def stored(seed: int, turned: tuple[int, ...]) -> tuple[Scene, Problem, Solution]:
    """A drawn run with some photos' pixels turned half round, adjusted with one lens for all."""
    scene = draw_scene(seed)
    rng = np.random.default_rng(seed)
    corner = np.array([PHONE.width_px - 1.0, PHONE.height_px - 1.0])

    def turn(seen):
        return replace(seen, px=corner - seen.px) if seen.photo in turned else seen

    cards = tuple(turn(one) for one in see_cards(scene, rng))
    lines = tuple(turn(one) for one in see_line(scene, rng))
    problem = problem_of(scene, cards, lines)
    start = truth_of(scene)
    poses = tuple(
        Pose(HALF @ pose.rotation, HALF @ pose.translation_mm) if i in turned else pose
        for i, pose in enumerate(start.poses)
    )
    return scene, problem, adjust(problem, replace(start, poses=poses, lenses=(PHONE,)))


def block_of(problem: Problem, solution: Solution) -> tuple[Block, list[CardsSeen], dict[Path, LensOfPhoto]]:
    paths = tuple(Path(f"{i}.jpg") for i in range(len(solution.state.poses)))
    numbers = tuple(range(1, len(solution.state.cards) + 1))
    lens = LensOfPhoto(Lens(PHONE, np.diag(LENS_SIGMA**2)), ("phone",), (), usual=True)
    photos = [CardsSeen(path, None, {}, 0.0, 0.0) for path in paths]
    return Block(paths, numbers, numbers, problem, solution, {}), photos, dict.fromkeys(paths, lens)


def cost_of(problem: Problem, solution: Solution) -> float:
    return normal_equations(problem, solution.layout, solution.state)[2]


def moves_of(solution: Solution, problem: Problem) -> np.ndarray:
    lenses = [solution.state.lenses[k] for k in problem.lens_of_photo]
    return np.array([lens.turned_half().parameters - lens.parameters for lens in lenses])


@pytest.mark.parametrize("seed", range(6))
def test_the_cost_of_turning_a_lens_is_what_adjusting_again_with_it_costs(seed: int) -> None:
    """Against the adjustment itself, which is not linear."""
    _, problem, solution = stored(seed, ())
    slope, curvature = cost_of_moves(problem, solution, moves_of(solution, problem))
    noise = max(1.0, solution.variance_factor)
    for photo in range(len(solution.state.poses)):
        lens = solution.state.lenses[0]
        of_photo = tuple(int(i == photo) for i in range(len(solution.state.poses)))
        tight = np.diag(np.full(9, 1e-12))
        prior = ((lens.parameters, tight), (lens.turned_half().parameters, tight))
        apart = replace(problem, lens_of_photo=of_photo, lens_prior=prior)
        again = adjust(apart, replace(solution.state, lenses=(lens, lens.turned_half())))
        before = replace(apart, lens_of_photo=(0,) * len(of_photo), lens_prior=((lens.parameters, tight),))
        held = adjust(before, solution.state)
        grown = (cost_of(apart, again) - cost_of(before, held)) / noise
        assert slope[photo] + curvature[photo, photo] == pytest.approx(grown, rel=0.15, abs=2.0)


@pytest.mark.parametrize("seed", range(12))
def test_photos_taken_at_1x_do_not_look_zoomed(seed: int) -> None:
    _, problem, solution = stored(seed, ())
    alike, each = zoomed_sigmas(problem, solution)
    assert max(abs(alike), *np.abs(each)) < ZOOMED_SIGMAS


@pytest.mark.parametrize("seed", range(12))
def test_photos_zoomed_by_a_fifth_look_so_by_as_much_as_they_tell(seed: int) -> None:
    """A photo cropped and stored at full size, as a phone does without the tag; the profile says 1x."""
    scene = draw_scene(seed)
    rng = np.random.default_rng(seed)
    middle, zoom = np.array([PHONE.cx, PHONE.cy]), 1.2
    seen = [
        tuple(replace(one, px=middle + zoom * (one.px - middle)) for one in what)
        for what in (see_cards(scene, rng), see_line(scene, rng))
    ]
    problem = problem_of(scene, *seen)
    solution = adjust(problem, replace(truth_of(scene), lenses=(PHONE,)))
    plain = stored(seed, ())
    alike, _ = zoomed_sigmas(problem, solution)
    assert alike > zoomed_sigmas(*plain[1:])[0] + 1.5
    block, _, _ = block_of(problem, solution)
    if alike > ZOOMED_SIGMAS:
        assert strange_lenses(block) == list(range(len(scene.poses)))


@pytest.mark.parametrize("seed", range(12))
def test_photos_stored_upside_down_are_found_by_the_run_they_are_of(seed: int) -> None:
    scene = draw_scene(seed)
    count = len(scene.poses)
    turned = tuple(int(i) for i in np.flatnonzero(np.random.default_rng(seed).random(count) < 0.4))
    _, problem, solution = stored(seed, turned)
    block, photos, lenses = block_of(problem, solution)
    names = {photo.path: photo.path.name for photo in photos}
    for _ in range(2):
        changed = turned_lenses(ways_up(block, lenses), photos, lenses, JOB)
        lenses = {**lenses, **changed}
        block = with_lenses(block, lenses)
    found = {i for i, photo in enumerate(photos) if not lenses[photo.path].usual}
    opened = doubted_lenses(ways_up(block, lenses), photos, lenses, names, JOB)
    left_open = {i for i, photo in enumerate(photos) if photo.path in opened}
    assert found ^ set(turned) <= left_open
    assert len(left_open) <= count // 2


def with_lenses(block: Block, lenses: dict[Path, LensOfPhoto]) -> Block:
    """The block adjusted again with each photo's lens the way up it is thought to be."""
    keys = list(dict.fromkeys(lenses[path].key for path in block.photos))
    of = {key: next(lenses[path].lens for path in block.photos if lenses[path].key == key) for key in keys}
    problem = replace(
        block.problem,
        lens_of_photo=tuple(keys.index(lenses[path].key) for path in block.photos),
        lens_prior=tuple((of[key].camera.parameters, of[key].covariance) for key in keys),
    )
    state = replace(block.solution.state, lenses=tuple(of[key].camera for key in keys))
    return replace(block, problem=problem, solution=adjust(problem, state))


def test_a_lens_turned_twice_is_the_lens() -> None:
    lens = LensOfPhoto(Lens(PHONE, np.diag(LENS_SIGMA**2)), ("phone",), (), usual=True)
    photo = CardsSeen(Path("a.jpg"), None, {}, 0.0, 0.0)
    once = lens.turned_half(photo, JOB)
    assert once.lens.camera.parameters == pytest.approx(PHONE.turned_half().parameters)
    assert (once.usual, once.key) == (False, ("phone", "half round"))
    again = once.turned_half(photo, JOB)
    assert (again.usual, again.key) == (True, ("phone",))


def test_a_photo_whose_turn_the_run_leaves_open_gets_a_lens_that_covers_both() -> None:
    """A photo that shows nothing tells nothing: only what phones usually do is left."""
    _, problem, solution = stored(3, ())
    silent = replace(
        problem,
        card_seen=tuple(s for s in problem.card_seen if s.photo != 0),
        line_seen=tuple(s for s in problem.line_seen if s.photo != 0),
    )
    loose = [s for s in problem.card_seen if s.photo == 0][:1]
    silent = replace(silent, card_seen=(replace(loose[0], sigma_px=50.0), *silent.card_seen))
    block, photos, lenses = block_of(silent, adjust(silent, solution.state))
    either = {path: replace(one, usual=None) for path, one in lenses.items()}
    opened = doubted_lenses(ways_up(block, either), photos, either, {p.path: p.path.name for p in photos}, JOB)
    assert photos[0].path in opened
    one = opened[photos[0].path]
    assert [finding.code for finding in one.findings] == ["turned-unsure"]
    for camera in (PHONE, PHONE.turned_half()):
        off = np.abs(camera.parameters - one.lens.camera.parameters)
        assert np.all(off <= 1.3 * one.lens.sigma + 1e-12)
    assert one.key != lenses[photos[0].path].key


def test_the_cheapest_choice_is_the_cheapest_of_all() -> None:
    """Against trying every one, for a cost that couples the photos."""
    rng = np.random.default_rng(4)
    for _ in range(40):
        root = rng.normal(size=(4, 4))
        curvature = 5.0 * np.eye(4) + 0.3 * root @ root.T
        slope = rng.normal(0.0, 8.0, 4)
        every = np.array([[k >> i & 1 for i in range(4)] for k in range(16)], dtype=float)
        costs = np.array([slope @ x + x @ curvature @ x for x in every])
        chosen, margins = cheapest(slope, curvature)
        assert slope @ chosen + chosen @ curvature @ chosen == pytest.approx(costs.min())
        for i in range(4):
            other = chosen.copy()
            other[i] = 1.0 - other[i]
            assert margins[i] == pytest.approx(slope @ other + other @ curvature @ other - costs.min())


def test_a_run_done_right_has_no_misfit() -> None:
    for seed in range(12):
        _, problem, solution = stored(seed, ())
        assert misfits(block_of(problem, solution)[0]) == ()


def test_a_line_followed_where_there_is_none_is_a_misfit_of_its_photo() -> None:
    _, problem, solution = stored(3, ())
    strayed = replace(
        problem.line_seen[1], px=problem.line_seen[1].px + np.linspace(0.0, 25.0, len(problem.line_seen[1].px))[:, None]
    )
    bad = replace(problem, line_seen=(problem.line_seen[0], strayed, *problem.line_seen[2:]))
    assert strayed.photo in misfits(block_of(bad, adjust(bad, solution.state))[0])


def test_a_card_moved_between_photos_is_a_misfit() -> None:
    _, problem, solution = stored(3, ())
    pairs = [{seen.card for seen in problem.card_seen if seen.photo == i} for i in range(len(solution.state.poses))]
    photo = next(i for i, pair in enumerate(pairs) if pairs.count(pair) > 1)
    first = next(seen for seen in problem.card_seen if seen.photo == photo)
    pushed = tuple(
        replace(seen, px=seen.px + np.array([12.0, 9.0])) if seen is first else seen for seen in problem.card_seen
    )
    bad = replace(problem, card_seen=pushed)
    assert first.photo in misfits(block_of(bad, adjust(bad, solution.state))[0])


def test_a_card_that_would_lie_in_the_concrete_is_a_misfit() -> None:
    _, problem, solution = stored(3, ())
    cards = solution.state.cards
    sunk = replace(cards[1], origin_mm=cards[1].origin_mm - [0.0, 0.0, 3.0])
    state = replace(solution.state, cards=(cards[0], sunk, *cards[2:]))
    shown = {seen.photo for seen in problem.card_seen if seen.card == 1}
    assert set(misfits(block_of(problem, replace(solution, state=state))[0])) == shown
