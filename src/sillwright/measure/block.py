"""The photos and cards of one run put together: which lens took each, and one wall frame for all."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np

from sillwright.camera import Array, Camera, Pose, rotation_from_vector
from sillwright.cards import CHECK_LENGTH_MM, scale_card
from sillwright.job import Job, Tape
from sillwright.measure.lenses import LensOfPhoto, nominal_scale
from sillwright.measure.work import CardsSeen
from sillwright.solve.adjust import Solution, adjust
from sillwright.solve.pose import Chain, FlatView, chain
from sillwright.solve.state import (
    TAPE_SIGMA_MM,
    CardObservation,
    CardState,
    LineObservation,
    LineState,
    Problem,
    State,
    TapeObservation,
)
from sillwright.survey import Finding

PRINT_SCALE_SIGMA = 0.0012  # a print that is not shrunk to fit is true to three parts in a thousand, 99 of 100
# A print shrunk to fit its page came out 3 to 7 % small (field measurements of printed letter and A4 pages).
SHRUNK_BELOW, SHRUNK_MEAN, SHRUNK_SIGMA = 0.98, 0.95, 0.015
CHECK_READING_SIGMA_MM = 0.46  # a tape read to 1/16 in: uniform over the sixteenth (NIST Handbook 44 sec. 10.3)
# Beyond it a print shrunk by 1 % is as likely as a true one, shrunk prints being one in ten (measure.scale).
TRUE_WITHIN_SIGMAS = 2.5
CARD_MIDDLE_MM = np.array([120.0, 45.0])
PHONE_HELD_MM = (150.0, 6000.0)  # above the wall: nearer no card is seen whole, farther no marker is read
MARGIN_MM = 13.0  # paper round the grid, and a little


@dataclass(frozen=True)
class Block:
    """One run's photos and cards in one wall frame.

    photos : the files, in the order of ``solution.state.poses``; numbers : the cards, in the order of its cards
    own : the cards that lie on this run; others are on a neighbour and only help to place the photos
    left_out : findings of photos that could not be joined
    """

    photos: tuple[Path, ...]
    numbers: tuple[int, ...]
    own: tuple[int, ...]
    problem: Problem
    solution: Solution
    left_out: dict[Path, tuple[Finding, ...]]

    def camera(self, photo: int) -> Camera:
        """The adjusted lens of a photo (index)."""
        return self.solution.state.lenses[self.problem.lens_of_photo[photo]]

    def pose(self, photo: int) -> Pose:
        """The adjusted pose of a photo (index)."""
        return self.solution.state.poses[photo]


def join(
    photos: Sequence[CardsSeen],
    own: Sequence[int],
    lenses: Mapping[Path, LensOfPhoto],
    job: Job,
    tapes: Sequence[Tape],
    names: Mapping[Path, str],
) -> Block | None:
    """Photos that share cards, in one frame: X along the cards' long sides, from lower to higher numbers.

    None where no photo shows a card of the run. A photo that comes out where no phone was held is left out.
    """
    mine = sorted({number for photo in photos for number in photo.cards if number in own})
    if not mine:
        return None
    views = {i: flat for i, photo in enumerate(photos) if (flat := lenses[photo.path].flat) is not None}
    placed = _largest_chain(views, job.card_thickness_mm, mine)
    left_out: dict[Path, tuple[Finding, ...]] = {
        photo.path: (_why_not_joined(photo, photos, placed, names),)
        for i, photo in enumerate(photos)
        if i not in placed.poses
    }
    kept = sorted(placed.poses)
    numbers = tuple(sorted(placed.cards))
    turned = _along_the_wall(placed.poses, placed.cards, [n for n in numbers if n in own])
    problem = _problem(photos, kept, numbers, own, lenses, job, tapes)
    state = State(
        lenses=tuple(_first_lens(photos, kept, lenses, k) for k in range(len(problem.lens_prior))),
        poses=tuple(turned[0][i] for i in kept),
        cards=tuple(turned[1][number] for number in numbers),
        lines=(LineState(0.0, 0.0),),
        scale=problem.scale_mean,
    )
    zero = state.cards[problem.zero_card]
    problem = replace(problem, zero_held=(float(zero.origin_mm[1]), float(zero.rotation[1, 0])))
    solution = adjust(problem, state)
    taped, _ = taped_scales(problem, solution.state)
    if len(taped) and job.check_length_mm is None and float(np.median(taped)) < SHRUNK_BELOW:
        # The tapes say that the print was shrunk to fit its page. How much it was is then theirs alone to tell.
        problem = replace(problem, scale_mean=SHRUNK_MEAN, scale_sigma=SHRUNK_SIGMA)
        solution = adjust(problem, solution.state)
    block = Block(
        tuple(photos[i].path for i in kept), numbers, tuple(n for n in numbers if n in own), problem, solution, left_out
    )
    strayed = _strayed(block)
    if not strayed:
        return block
    rest = join([photo for photo in photos if photo.path not in strayed], own, lenses, job, tapes, names)
    lost = {path: (Finding("poor-fit", (names[path],)),) for path in strayed}
    return rest and replace(rest, left_out={**rest.left_out, **lost})


def _strayed(block: Block) -> list[Path]:
    """Photos whose place above the wall no phone can have been held at, as two cards of one number may bring about."""
    low, high = PHONE_HELD_MM
    return [path for i, path in enumerate(block.photos) if not low < float(block.pose(i).centre_mm[2]) < high]


def _print_scale(job: Job) -> tuple[float, float]:
    """The print scale and its sigma before the photos: a check length that may be that of a true print bears it out."""
    taped = nominal_scale(job)
    if job.check_length_mm is None:
        return taped, PRINT_SCALE_SIGMA
    sigma = CHECK_READING_SIGMA_MM / CHECK_LENGTH_MM
    if abs(taped - 1.0) > TRUE_WITHIN_SIGMAS * np.hypot(sigma, PRINT_SCALE_SIGMA):
        return taped, sigma
    weight, weight_taped = PRINT_SCALE_SIGMA**-2, sigma**-2
    return (weight + weight_taped * taped) / (weight + weight_taped), float((weight + weight_taped) ** -0.5)


def taped_scales(problem: Problem, state: State) -> tuple[Array, Array]:
    """The print scale each taped length asks for, (T,), and the sigma of each from reading the tape."""
    solved = [
        float(np.linalg.norm(state.cards[t.card_b].origin_mm - state.cards[t.card_a].origin_mm)) for t in problem.taped
    ]
    scales = [state.scale * t.length_mm / length for t, length in zip(problem.taped, solved, strict=True)]
    return np.array(scales), TAPE_SIGMA_MM / np.array(solved)


def _largest_chain(views: Mapping[int, FlatView], face_mm: float, numbers: Sequence[int]) -> Chain:
    """The chain that joins most photos, of those started from each card."""
    best = chain(views, face_mm, numbers[0])
    tried = set(best.cards)
    for first in numbers[1:]:
        if first not in tried:
            placed = chain(views, face_mm, first)
            tried |= set(placed.cards)
            best = max(best, placed, key=lambda one: len(one.poses))
    return best


def _why_not_joined(photo: CardsSeen, photos: Sequence[CardsSeen], placed: Chain, names: Mapping[Path, str]) -> Finding:
    """Name the joined photo taken nearest before or after, which a new photo should bridge to."""
    if not photo.cards:
        return Finding("no-cards", (names[photo.path],))
    index = next(i for i, p in enumerate(photos) if p.path == photo.path)
    joined = sorted(placed.poses, key=lambda i: abs(i - index))
    neighbour = (names[photos[joined[0]].path],) if joined else ()
    return Finding("not-joined", (names[photo.path], *neighbour), tuple(sorted(photo.cards)))


def _along_the_wall(
    poses: Mapping[int, Pose], cards: Mapping[int, CardState], own: Sequence[int]
) -> tuple[dict[int, Pose], dict[int, CardState]]:
    """Turn and shift the frame: X along the wall toward higher numbers, the lowest card's zero mark at X = 0."""
    directions = np.array([cards[n].rotation[:2, 0] for n in own])
    twice = np.array([directions[:, 0] ** 2 - directions[:, 1] ** 2, 2 * directions[:, 0] * directions[:, 1]])
    angle = 0.5 * float(np.arctan2(twice[1].sum(), twice[0].sum()))
    middles = np.array([_middle(cards[n])[:2] for n in own])
    along = np.array([np.cos(angle), np.sin(angle)])
    forward = middles[-1] - middles[0] if len(own) > 1 else cards[own[0]].rotation[:2, 0]
    if forward @ along < 0:
        angle += np.pi
    turn = rotation_from_vector(np.array([0.0, 0.0, -angle]))
    shift = -np.array([(turn @ cards[own[0]].origin_mm)[0], np.median((turn[:2, :2] @ middles.T)[1]), 0.0])
    return _moved(poses, cards, turn, shift)


def _middle(card: CardState) -> Array:
    return card.origin_mm + card.rotation @ np.append(CARD_MIDDLE_MM, 0.0)


def _moved(
    poses: Mapping[int, Pose], cards: Mapping[int, CardState], turn: Array, shift: Array
) -> tuple[dict[int, Pose], dict[int, CardState]]:
    new_poses = {}
    for i, pose in poses.items():
        rotation = pose.rotation @ turn.T
        new_poses[i] = Pose(rotation, pose.translation_mm - rotation @ shift)
    return new_poses, {
        n: replace(card, origin_mm=turn @ card.origin_mm + shift, rotation=turn @ card.rotation)
        for n, card in cards.items()
    }


def _problem(
    photos: Sequence[CardsSeen],
    kept: Sequence[int],
    numbers: Sequence[int],
    own: Sequence[int],
    lenses: Mapping[Path, LensOfPhoto],
    job: Job,
    tapes: Sequence[Tape],
) -> Problem:
    index = {number: j for j, number in enumerate(numbers)}
    scale, scale_sigma = _print_scale(job)
    keys = list(dict.fromkeys(lenses[photos[i].path].key for i in kept))
    priors = []
    for key in keys:
        lens = next(lenses[photos[i].path].lens for i in kept if lenses[photos[i].path].key == key)
        priors.append((lens.camera.parameters, lens.covariance))
    return Problem(
        card_seen=tuple(
            CardObservation(k, index[n], s.board_mm, s.corners_px, s.sigma_px)
            for k, i in enumerate(kept)
            for n, s in sorted(photos[i].cards.items())
        ),
        line_seen=(),
        taped=tuple(
            TapeObservation(index[t.from_card], index[t.to_card], t.length_mm)
            for t in tapes
            if t.from_card in index and t.to_card in index
        ),
        lens_of_photo=tuple(keys.index(lenses[photos[i].path].key) for i in kept),
        lens_prior=tuple(priors),
        face_height_mm=job.card_thickness_mm,
        card_middle_mm=CARD_MIDDLE_MM,
        scale_mean=scale,
        scale_sigma=scale_sigma,
        zero_card=index[min(n for n in numbers if n in own)],
    )


def _first_lens(photos: Sequence[CardsSeen], kept: Sequence[int], lenses: Mapping[Path, LensOfPhoto], k: int) -> Camera:
    keys = list(dict.fromkeys(lenses[photos[i].path].key for i in kept))
    return next(lenses[photos[i].path].lens.camera for i in kept if lenses[photos[i].path].key == keys[k])


def covered(block: Block) -> tuple[Array, ...]:
    """Outlines of the cards' paper on the wall, (4, 2) each."""
    outlines = []
    scale = block.solution.state.scale
    for number, card in zip(block.numbers, block.solution.state.cards, strict=True):
        spec = scale_card(number)
        low, high = -MARGIN_MM, np.array([spec.width_mm, spec.height_mm]) + MARGIN_MM
        paper = scale * np.array([[low, low], [high[0], low], [high[0], high[1]], [low, high[1]]])
        local = np.column_stack([paper, np.zeros(4)])
        outlines.append((card.origin_mm + local @ card.rotation.T)[:, :2])
    return tuple(outlines)


def with_lines(block: Block, lines: Sequence[tuple[float, float]], line_seen: Sequence[LineObservation]) -> Block:
    """The block adjusted again with chalk lines, (angle, offset) each in its present frame.

    The frame is turned and shifted first, so that line 0 lies along X at Y = 0 and the zero card's mark at X = 0.
    """
    turn_rad, offset_mm = lines[0]
    turn = rotation_from_vector(np.array([0.0, 0.0, -turn_rad]))
    state = block.solution.state
    cards = dict(enumerate(state.cards))
    zero = turn @ cards[block.problem.zero_card].origin_mm
    shift = np.array([-zero[0], -offset_mm, 0.0])
    poses, moved_cards = _moved(dict(enumerate(state.poses)), cards, turn, shift)
    problem = replace(block.problem, line_seen=tuple(line_seen))
    turned = [LineState(angle - turn_rad, offset) for angle, offset in lines]
    start = replace(
        state,
        poses=tuple(poses[i] for i in range(len(poses))),
        cards=tuple(moved_cards[j] for j in range(len(moved_cards))),
        lines=tuple(LineState(line.angle_rad, line.offset_mm + float(shift @ line.normal)) for line in turned),
    )
    return replace(block, problem=problem, solution=adjust(problem, start))
