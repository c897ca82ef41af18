"""Whether the cards were printed true: what pins the print scale, and what the bolts say of it.

A print is either true to a few parts in a thousand or was shrunk by up to 7 % to fit the page. The bolts are of known
size, so on shrunk cards they look that much too large; but what shows of a thread's outline varies with the light by a
per cent, so they tell a shrunk print from a true one only by the odds. One bolt that looks too small says little: the
inner side of a dark rim is easily taken for its outline. Where they all do, the cards may have been printed too large,
by a printer that leaves no margin. A taped length may have been misread; it is weighed in the same way, by what prints
come out as and by the bolts.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from statistics import NormalDist
from typing import Literal

import numpy as np

from sillwright.camera import Array
from sillwright.fasteners import BOLT_SIZES, BoltSize
from sillwright.measure.block import PRINT_SCALE_SIGMA, Block, taped_scales
from sillwright.measure.find import FoundBolt
from sillwright.solve.axis import fit_axes
from sillwright.survey import Finding

# On rendered bolts thread crests as they show, blur included, stood at 1.00 to 1.02 of the nominal radius in the mean
# of a job, and a single bolt's within 0.01 of that.
APPARENT, APPARENT_SIGMA, BOLT_SIGMA = 1.008, 0.008, 0.010
# Blur moves the outer side of a thin dark rim outward, by the pixel. Bolts of a radius of 15 pixels set the numbers
# above; smaller ones (6 to 13 pixels, in reduced photos) stood out farther, by half a pixel's share of the difference.
FINE_RADIUS_PX, BLUR_PX, BLUR_SIGMA_PX = 15.0, 0.5, 0.2
LOOSEST_SIZE_SIGMA, SMALLEST_SIZE = 0.03, 0.95  # what was fitted to something else than the outline is no evidence
LOOSE_RADIUS_SIGMA = 0.08
# One print in ten is shrunk and not noticed, by any amount from 1 to 7 % (3 to 7 measured on letter and A4 pages; the
# share is common practice, no source).
SHRUNK_SHARE, LEAST_SHRINK, MOST_SHRINK = 0.1, 0.01, 0.07
_SHRINKS = np.linspace(LEAST_SHRINK, MOST_SHRINK, 61)
ENLARGED_SHARE = 0.02  # one print in fifty comes out too large, by as much (no source)
MISREAD_SHARE, MISREAD_BY = 0.05, 0.08  # one taped length in twenty, by up to so much either way; no source
DOUBTFUL_ODDS, LIKELY_ODDS = 0.05, 0.5
SIZE_WITHIN = 0.04  # of a listed bolt size; but for 12 mm and 1/2 in they stand 20 % apart
SCALE_SHRUNK_U95 = 0.08
CONFLICT_SIGMAS, LARGE_SIGMAS, SURE_SIGMAS = 3.0, 2.5, 2.576


@dataclass(frozen=True)
class ScaleVerdict:
    """What pins the scale, its relative u95, the codes to tell, and whether numbers may be drilled from.

    sure_ratio : the relative half-width that holds 99 readings or true prints in 100
    conflicts : for the code ``scale-conflict`` one finding for each taped length that is in doubt, by its cards
    """

    source: Literal["check length", "tape", "bolts", "print"]
    u95_ratio: float
    codes: tuple[str, ...]
    trusted: bool
    bolts_large_by: float | None
    conflicts: tuple[Finding, ...] = ()
    sure_ratio: float = 0.0


@dataclass(frozen=True)
class SizeSeen:
    """How large one bolt looks over its stated size, if the cards were printed true, and the sigma of that.

    shared_sigma : what light and photos may add to this and to every other bolt alike
    """

    ratio: float
    sigma: float
    shared_sigma: float = APPARENT_SIGMA


def judge_scale(block: Block, sizes: Sequence[SizeSeen], *, check_given: bool) -> ScaleVerdict:
    """Hold the print scale of a run against all that is known of it; ``sizes`` may be of other runs' bolts too."""
    layout, state = block.solution.layout, block.solution.state
    sigma = float(np.sqrt(block.solution.covariance[layout.scale, layout.scale])) / state.scale
    pooled = pool(sizes)
    ratio = None if pooled is None else pooled.ratio * state.scale
    off = None if ratio is None else ratio - 1.0
    if block.problem.taped or check_given:
        source: Literal["check length", "tape"] = "tape" if block.problem.taped else "check length"
        conflicts = _doubted_tapes(block)
        odds = 0.0 if pooled is None else misread_odds(pooled, state.scale, sigma)
        large = pooled is not None and off is not None and off > LARGE_SIGMAS * pooled.sigma
        if not conflicts and (large or odds > DOUBTFUL_ODDS):
            conflicts = _every_tape(block)
        if conflicts:
            return ScaleVerdict(source, SCALE_SHRUNK_U95, ("scale-conflict",), False, off, conflicts, SCALE_SHRUNK_U95)
        if source == "check length" and block.problem.scale_sigma > PRINT_SCALE_SIGMA:
            # A reading to the nearest sixteenth is out by anything up to half of one, and by no more.
            half = float(np.sqrt(3.0)) * sigma
            return ScaleVerdict(source, 0.95 / (1.0 - odds) * half, (), True, off, (), 0.99 * half)
        return ScaleVerdict(source, _half_width(odds) * sigma, (), True, off, (), SURE_SIGMAS * sigma)
    odds = SHRUNK_SHARE if pooled is None else shrunk_odds(pooled)
    if odds >= LIKELY_ODDS:
        return ScaleVerdict("print", SCALE_SHRUNK_U95, ("scale-wrong",), False, off)
    if odds >= DOUBTFUL_ODDS or (pooled is not None and enlarged_odds(pooled) >= DOUBTFUL_ODDS):
        return ScaleVerdict("print", SCALE_SHRUNK_U95, ("scale-unverified",), False, off)
    return ScaleVerdict("bolts", _half_width(odds) * sigma, ("scale-not-taped",), True, off, (), SURE_SIGMAS * sigma)


def _half_width(odds: float) -> float:
    """Sigmas to either side that hold 95 scales of a hundred, those that may be quite another counted as outside."""
    return NormalDist().inv_cdf(0.5 + 0.5 * 0.95 / (1.0 - odds))


def looks_like_size(stated: BoltSize, scale: ScaleVerdict) -> Finding | None:
    """The listed size that a run's bolts look like, where they look larger than any shrunk print makes those stated."""
    if scale.trusted or scale.bolts_large_by is None or scale.bolts_large_by < MOST_SHRINK + SIZE_WITHIN:
        return None
    looks_mm = stated.diameter_mm * (1.0 + scale.bolts_large_by)
    nearest = min(BOLT_SIZES, key=lambda size: abs(size.diameter_mm - looks_mm))
    if abs(nearest.diameter_mm / looks_mm - 1.0) > SIZE_WITHIN:
        return None
    return Finding("bolt-size", value_mm=nearest.diameter_mm)


def shrunk_odds(size: SizeSeen) -> float:
    """The probability that the cards were shrunk, by how large the bolts look (Bayes's rule)."""
    true, shrunk = _by_print(size)
    return float(shrunk.sum() / (true + shrunk.sum()))


def enlarged_odds(size: SizeSeen) -> float:
    """The probability that the cards were printed too large, by how small the bolts look, shrinking left aside."""
    true, enlarged = _by_print(size, ENLARGED_SHARE, -_SHRINKS)
    return float(enlarged.sum() / (true + enlarged.sum()))


def misread_odds(size: SizeSeen, scale: float, sigma: float) -> float:
    """The probability that what was taped was misread, by the scale it leads to, its sigma, and the bolts.

    What was read rightly is the scale of a print; what was misread may be any, and says nothing of it (Bayes's rule).
    """
    true, shrunk = _by_print(size)
    close = np.hypot(sigma, PRINT_SCALE_SIGMA)
    right = true * _normal((scale - 1.0) / close) / close
    wide = np.hypot(sigma, _SHRINKS[1] - _SHRINKS[0])
    right += float((shrunk * _normal((scale - 1.0 + _SHRINKS) / wide)).sum() / wide)
    misread = (true + float(shrunk.sum())) / (2.0 * MISREAD_BY)
    return float(MISREAD_SHARE * misread / (MISREAD_SHARE * misread + (1.0 - MISREAD_SHARE) * right))


def _by_print(size: SizeSeen, off_share: float = SHRUNK_SHARE, shrinks: Array = _SHRINKS) -> tuple[float, Array]:
    """How likely a true print, and prints shrunk by each of ``shrinks``, are before the bolts, times what these say.

    ``off_share`` of all prints are, by less than nothing where they are enlarged. Up to one factor common to all.
    """
    expected = np.concatenate([[1.0], 1.0 / (1.0 - shrinks)])
    off = np.abs((size.ratio - expected) / size.sigma)
    likelihood = np.exp(-0.5 * (off**2 - off.min() ** 2))
    return (1.0 - off_share) * float(likelihood[0]), off_share * likelihood[1:] / len(shrinks)


def _normal(off: Array | float) -> Array:
    return np.exp(-0.5 * np.square(off)) / np.sqrt(2.0 * np.pi)


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


def sizes_seen(
    block: Block, bolts: Sequence[FoundBolt], nominal_radius_mm: float, chamfer_mm: float
) -> tuple[SizeSeen, ...]:
    """How large the bolts of a run look; those whose outline is not clear are left out."""
    sizes = []
    for bolt in bolts:
        held = None
        if len(bolt.views) < 2:
            held = (float(np.linalg.norm(bolt.fit.tip_mm - bolt.fit.base_mm)), 6.0)
        (free,) = fit_axes(
            bolt.views,
            bolt.fit.parameters[None],
            nominal_radius_mm,
            chamfer_mm=chamfer_mm,
            stickup_mm=held,
            radius_sigma=LOOSE_RADIUS_SIGMA,
            near=True,
        )
        apparent, shared_sigma = _apparent(bolt, nominal_radius_mm)
        stated_mm = nominal_radius_mm * apparent * block.solution.state.scale
        sigma_mm = float(np.sqrt(free.covariance[5, 5]))
        one = SizeSeen(float(free.parameters[5]) / stated_mm, sigma_mm / stated_mm, shared_sigma)
        if one.sigma < LOOSEST_SIZE_SIGMA and one.ratio > SMALLEST_SIZE:
            sizes.append(one)
    return tuple(sizes)


def _apparent(bolt: FoundBolt, radius_mm: float) -> tuple[float, float]:
    """How large a bolt of the stated size looks, over that size, and its sigma: both more where it has few pixels."""
    away_mm = [float(np.linalg.norm(view.pose.centre_mm - bolt.fit.base_mm)) for view in bolt.views]
    radius_px = float(
        np.median([view.camera.fx * radius_mm / mm for view, mm in zip(bolt.views, away_mm, strict=True)])
    )
    short = max(0.0, 1.0 / radius_px - 1.0 / FINE_RADIUS_PX)
    return APPARENT + BLUR_PX * short, float(np.hypot(APPARENT_SIGMA, BLUR_SIGMA_PX * short))


def pool(sizes: Sequence[SizeSeen]) -> SizeSeen | None:
    """What several bolts say together: their median, and how far light and photos may move all of them."""
    if not sizes:
        return None
    each = float(np.median([np.hypot(one.sigma, BOLT_SIGMA) for one in sizes]))
    # The median of more than two is known by about a fifth worse than their mean.
    together = each / np.sqrt(len(sizes)) * (1.2 if len(sizes) > 2 else 1.0)
    shared = float(np.median([one.shared_sigma for one in sizes]))
    return SizeSeen(float(np.median([one.ratio for one in sizes])), float(np.hypot(together, shared)))
