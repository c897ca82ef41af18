"""Whether the cards were printed true: what pins the print scale, and what the bolts say of it.

A print is either true to a few parts in a thousand or was shrunk by 3 to 7 % to fit the page. The bolts are of known
size, so on shrunk cards they look that much too large. A bolt that looks too small says nothing against cards that are
true: the inner side of a dark rim is easily taken for its outline. But where a taped length has it that the print was
shrunk, bolts that look as much too small say that the tape was misread instead.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np

from sillwright.measure.block import SHRUNK_BELOW, Block, taped_scales
from sillwright.measure.find import FoundBolt
from sillwright.solve.axis import fit_axis
from sillwright.survey import Finding

APPARENT = 1.008  # thread crests as they show, blur included, over the nominal radius: 1.00 to 1.02 on rendered bolts
LARGE = 1.028
LOOSE_RADIUS_SIGMA = 0.08
SCALE_SHRUNK_U95 = 0.08
CONFLICT_SIGMAS = 3.0


@dataclass(frozen=True)
class ScaleVerdict:
    """What pins the scale, its relative u95, the codes to tell, and whether numbers may be drilled from.

    conflicts : for the code ``scale-conflict`` one finding for each taped length that is in doubt, by its cards
    """

    source: Literal["check length", "tape", "bolts", "print"]
    u95_ratio: float
    codes: tuple[str, ...]
    trusted: bool
    bolts_large_by: float | None
    conflicts: tuple[Finding, ...] = ()


def judge_scale(
    block: Block, bolts: Sequence[FoundBolt], nominal_radius_mm: float, chamfer_mm: float, *, check_given: bool
) -> ScaleVerdict:
    """Hold the print scale against all that is known of it."""
    layout = block.solution.layout
    sigma = float(np.sqrt(block.solution.covariance[layout.scale, layout.scale])) / block.solution.state.scale
    ratio = apparent_ratio(bolts, nominal_radius_mm, chamfer_mm)
    large = ratio is not None and ratio > LARGE
    off = None if ratio is None else ratio - 1.0
    if block.problem.taped or check_given:
        source: Literal["check length", "tape"] = "tape" if block.problem.taped else "check length"
        conflicts = _doubted_tapes(block)
        if not conflicts and (large or _true_after_all(ratio, block.solution.state.scale)):
            conflicts = _every_tape(block)
        codes = ("scale-conflict",) if conflicts else ()
        return ScaleVerdict(source, 1.96 * sigma, codes, not conflicts, off, conflicts)
    if ratio is None:
        return ScaleVerdict("print", SCALE_SHRUNK_U95, ("scale-unverified",), False, None)
    if large:
        return ScaleVerdict("print", SCALE_SHRUNK_U95, ("scale-wrong",), False, off)
    return ScaleVerdict("bolts", 1.96 * sigma, ("scale-not-taped",), True, off)


def _true_after_all(ratio: float | None, scale: float) -> bool:
    """Whether a tape or check length calls the print shrunk, and the bolts come out truer if it was not."""
    return ratio is not None and scale < SHRUNK_BELOW and abs(np.log(ratio / scale)) < abs(np.log(ratio))


def _every_tape(block: Block) -> tuple[Finding, ...]:
    """A conflict for each taped length, or for the check length where it is all that was taped."""
    taped = [(block.numbers[t.card_a], block.numbers[t.card_b]) for t in block.problem.taped]
    return tuple(Finding("scale-conflict", (), pair) for pair in taped) or (Finding("scale-conflict"),)


def _doubted_tapes(block: Block) -> tuple[Finding, ...]:
    """Taped lengths that go against the others, or against the check length or what prints come out as.

    A tape read or written down wrong, by 1/4 in on a yard, would pull the scale to where no print is. Of tapes that
    disagree with each other those that do with most are named. Each finding says how far the tape is out.
    """
    problem = block.problem
    scales, sigmas = taped_scales(problem, block.solution.state)
    if not len(scales):
        return ()
    expected = np.full(len(scales), problem.scale_mean)
    doubted = np.abs(scales - expected) > CONFLICT_SIGMAS * np.hypot(problem.scale_sigma, sigmas)
    if not doubted.any():
        apart = np.abs(scales[:, None] - scales) / np.hypot(sigmas[:, None], sigmas)
        against = (apart > CONFLICT_SIGMAS).sum(axis=1)
        doubted = (against > 0) & (against == against.max())
        expected = scales[apart.argmax(axis=1)]
    return tuple(
        Finding(
            "scale-conflict",
            (),
            (block.numbers[tape.card_a], block.numbers[tape.card_b]),
            tape.length_mm * (1.0 - float(scale_mean / scale)),
        )
        for tape, scale, scale_mean, is_doubted in zip(problem.taped, scales, expected, doubted, strict=True)
        if is_doubted
    )


def apparent_ratio(bolts: Sequence[FoundBolt], nominal_radius_mm: float, chamfer_mm: float) -> float | None:
    """How large the bolts look against their stated size, at the print scale used; None where none is clear."""
    ratios = []
    for bolt in bolts:
        held = None
        if len(bolt.views) < 2:
            held = (float(np.linalg.norm(bolt.fit.tip_mm - bolt.fit.base_mm)), 6.0)
        free = fit_axis(
            bolt.views,
            bolt.fit.parameters,
            nominal_radius_mm,
            chamfer_mm=chamfer_mm,
            stickup_mm=held,
            radius_sigma=LOOSE_RADIUS_SIGMA,
        )
        ratios.append(float(free.parameters[5]) / nominal_radius_mm / APPARENT)
    return float(np.median(ratios)) if ratios else None
