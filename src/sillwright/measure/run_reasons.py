"""What there is to say of a whole run: its print scale, line, lenses, cards, and what its bolts tell of them."""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from itertools import pairwise
from pathlib import Path

import numpy as np

from sillwright.cards import PAPER_THICKNESS_MM
from sillwright.job import Job
from sillwright.measure.block import Block
from sillwright.measure.lenses import LensOfPhoto
from sillwright.measure.line import ChosenLine
from sillwright.measure.misfit import feet_lie_low, foot_stands_high, has_no_plane, no_foot_vouches
from sillwright.measure.scale import ScaleVerdict
from sillwright.measure.verdict import Judged
from sillwright.solve.lens_choice import zoomed_sigmas
from sillwright.survey import BoltRecord, Finding

STEP_LIMIT_MM = 3.175  # 1/8 in
STRANGE_LENS = 3.0  # mean square of nine numbers over their sigmas: over 3 by chance once in 700 (chi-squared, 9)
ZOOMED_SIGMAS = 3.0  # of 150 drawn runs none came to 2.3, of their 657 photos none to 2.8


def run_reasons(
    job: Job,
    block: Block,
    line: ChosenLine,
    lenses: Mapping[Path, LensOfPhoto],
    scale: ScaleVerdict,
    poor: Collection[Path],
    strange: Sequence[int],
    names: Mapping[Path, str],
) -> list[Finding]:
    """What there is to say of print scale, line and lenses, and whether the run settled.

    poor : photos that do not fit; strange : photos (indices) whose lens is not as known
    """
    reasons = [
        Finding(code, (), end_cards(block), _scale_value(code, scale, job.bolt.diameter_mm))
        for code in scale.codes
        if code != "scale-conflict"
    ]
    reasons.extend(scale.conflicts)
    if line.rival_mm is not None:
        reasons.append(Finding("two-chalk-lines", (), (), abs(line.rival_mm)))
    if line.by_hand:
        reasons.append(Finding("line-by-hand", tuple(names[path] for path in dict.fromkeys(line.by_hand))))
    if any(f.code == "lens-unknown" for p in block.photos for f in lenses[p].findings):
        reasons.append(Finding("lens-unknown"))
    if has_no_plane(block):
        reasons.append(Finding("no-plane", (), block.own))
    if not block.solution.converged:
        reasons.append(Finding("not-settled"))
    strayed = {path for path, findings in block.left_out.items() if any(f.code == "poor-fit" for f in findings)}
    unfit = tuple(names[path] for path in (*block.photos, *block.left_out) if path in poor or path in strayed)
    if unfit:
        reasons.append(Finding("misfit", unfit))
    if strange:
        reasons.append(Finding("lens-mismatch", tuple(names[block.photos[i]] for i in strange)))
    return reasons


def told_by_bolts(job: Job, block: Block, judged: Sequence[Judged], *, misfit: bool) -> list[Finding]:
    """What the bolts of a run say of its cards and photos; ``misfit`` : that these do not fit is said already."""
    fits = [one.found.fit for one in judged if len(one.found.views) > 1]
    told = []
    if feet_lie_low(fits):
        told.append(Finding("cards-raised", (), block.own))
    if foot_stands_high(fits):
        told.append(Finding("cards-low", (), block.own))
    if no_foot_vouches(fits) and job.card_thickness_mm <= PAPER_THICKNESS_MM:
        told.append(Finding("height-unverified", (), block.own))
    torn = sum("views-disagree" in one.doubts for one in judged)
    if torn > 1 and 2 * torn >= len(fits) and not misfit:
        # What is wrong for most bolts of a run is wrong with its photos or cards, and with the other bolts too.
        told.append(Finding("misfit"))
    return told


def loosely_spaced(bolts: Sequence[BoltRecord], sure_ratio: float) -> set[str]:
    """Marks of bolts so far from the next that the print scale alone leaves their distance no better than 1/8 in.

    Held to 99 in 100, not 95: one scale is in every step of a run, and nothing else in the run speaks against it.
    """
    return {
        bolt.mark
        for one, other in pairwise(bolts)
        if one.station_mm is not None
        and other.station_mm is not None
        and sure_ratio * abs(other.station_mm - one.station_mm) > STEP_LIMIT_MM
        for bolt in (one, other)
    }


def strange_lenses(block: Block) -> list[int]:
    """Photos (indices) whose lens is farther from what is known of it than chance would have it, or zoomed."""
    pulls = []
    for lens, (mean, covariance) in zip(block.solution.state.lenses, block.problem.lens_prior, strict=True):
        off = lens.parameters - mean
        pulls.append(float(off @ np.linalg.solve(covariance, off)) / len(off))
    alike, each = zoomed_sigmas(block.problem, block.solution)
    photos = enumerate(block.problem.lens_of_photo)
    return [i for i, k in photos if pulls[k] > STRANGE_LENS or max(abs(alike), abs(each[i])) > ZOOMED_SIGMAS]


def end_cards(block: Block) -> tuple[int, ...]:
    """The two cards a tape should go between; none where there is only one."""
    return (block.own[0], block.own[-1]) if len(block.own) > 1 else ()


def _scale_value(code: str, scale: ScaleVerdict, diameter_mm: float) -> float | None:
    """How much too thick the bolts look, mm, for the code that speaks of it."""
    if code == "scale-wrong" and scale.bolts_large_by is not None:
        return diameter_mm * scale.bolts_large_by
    return None
