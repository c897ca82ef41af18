"""Whether the cards were printed true: what pins the print scale, and what the bolts say of it.

A print is either true to a few parts in a thousand or was shrunk by 3 to 7 % to fit the page. The bolts are of known
size, so on shrunk cards they look that much too large. A bolt that looks too small says nothing of the cards: the
inner side of a dark rim is easily taken for its outline.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np

from sillwright.measure.block import Block, taped_scales
from sillwright.measure.find import FoundBolt
from sillwright.solve.axis import fit_axis

APPARENT = 1.008  # thread crests as they show, blur included, over the nominal radius: 1.00 to 1.02 on rendered bolts
LARGE = 1.028
LOOSE_RADIUS_SIGMA = 0.08
SCALE_SHRUNK_U95 = 0.08
CONFLICT_SIGMAS = 3.0


@dataclass(frozen=True)
class ScaleVerdict:
    """What pins the scale, its relative u95, the codes to tell, and whether numbers may be drilled from."""

    source: Literal["check length", "tape", "bolts", "print"]
    u95_ratio: float
    codes: tuple[str, ...]
    trusted: bool
    bolts_large_by: float | None


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
        conflict = large or tapes_disagree(block)
        codes = ("scale-conflict",) if conflict else ()
        return ScaleVerdict(source, 1.96 * sigma, codes, not conflict, off)
    if ratio is None:
        return ScaleVerdict("print", SCALE_SHRUNK_U95, ("scale-unverified",), False, None)
    if large:
        return ScaleVerdict("print", SCALE_SHRUNK_U95, ("scale-wrong",), False, off)
    return ScaleVerdict("bolts", 1.96 * sigma, ("scale-not-taped",), True, off)


def tapes_disagree(block: Block) -> bool:
    """Whether a taped length goes against another, or against the check length or what prints come out as.

    A tape read or written down wrong, by 1/4 in on a yard, would pull the scale to where no print is.
    """
    problem = block.problem
    scales, sigmas = taped_scales(problem, block.solution.state)
    if not len(scales):
        return False
    off = np.abs(scales - problem.scale_mean) / np.hypot(problem.scale_sigma, sigmas)
    apart = np.abs(scales[:, None] - scales[None, :]) / np.hypot(sigmas[:, None], sigmas[None, :])
    return bool(off.max() > CONFLICT_SIGMAS or apart.max() > CONFLICT_SIGMAS)


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
