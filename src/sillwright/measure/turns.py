"""Which way up each photo's pixels were stored.

Phones store a sensor's rows as they are and leave the turning to the EXIF tag, but programs that photos pass through
may turn the pixels themselves, and then the lens's centre and its lopsidedness turn with them. No tag tells. The two
ways differ by some twenty pixels, which hardly shows in one card, but the cards and the chalk line of a whole run do
not lie on one plane under the wrong one.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np

from sillwright.job import Job
from sillwright.measure.block import Block
from sillwright.measure.lenses import LensOfPhoto
from sillwright.measure.work import CardsSeen
from sillwright.profile import Lens
from sillwright.solve.lens_choice import cheapest, cost_of_moves
from sillwright.survey import Finding

# Chi-squared in favour of a photo as the phone stores it: programs turn few (1 in 20, common practice, no source).
USUAL = 6.0
# Corners of a card and points of a line share what is wrong with the card and the line: their chi-squared counts half.
SHARED = 2.0
LEAST_SHARE = 0.03  # of the odds: below it the other way up is not worth a lens of its own

Lenses = Mapping[Path, LensOfPhoto]


@dataclass(frozen=True)
class WaysUp:
    """What a run tells of how its photos were stored.

    turned : those that fit it better with their lens turned half round
    other_share : of each photo, as now or turned, the odds of its standing the other way, as a share of 1
    """

    turned: frozenset[Path]
    other_share: Mapping[Path, float]


def ways_up(block: Block, lenses: Lenses) -> WaysUp:
    """Hold each photo's lens as it stands, and turned half round, against the run."""
    now = [block.camera(i) for i in range(len(block.photos))]
    moves = np.array([camera.turned_half().parameters - camera.parameters for camera in now])
    slope, curvature = cost_of_moves(block.problem, block.solution, moves)
    usual = np.array([_usual(lenses[path]) for path in block.photos])
    chosen, margins = cheapest(slope + USUAL * usual, curvature)
    shares = 1.0 / (1.0 + np.exp(np.minimum(margins, 700.0) / (2.0 * SHARED)))
    return WaysUp(
        frozenset(path for path, x in zip(block.photos, chosen, strict=True) if x > 0.5),
        dict(zip(block.photos, shares.tolist(), strict=True)),
    )


def turned_lenses(ways: WaysUp, photos: Sequence[CardsSeen], lenses: Lenses, job: Job) -> dict[Path, LensOfPhoto]:
    """The lenses of the photos to be turned, so turned; often none."""
    return {photo.path: lenses[photo.path].turned_half(photo, job) for photo in photos if photo.path in ways.turned}


def doubted_lenses(
    ways: WaysUp, photos: Sequence[CardsSeen], lenses: Lenses, names: Mapping[Path, str], job: Job
) -> dict[Path, LensOfPhoto]:
    """Of the photos whose turn the run leaves open, the lens spread to cover both ways up; often none.

    Mean and covariance are those of the two, weighed by the odds. A lens not calibrated covers both as it is.
    """
    opened = {}
    for photo in photos:
        one, share = lenses[photo.path], ways.other_share.get(photo.path, 0.0)
        if share < LEAST_SHARE or one.findings:
            continue
        camera = one.lens.camera
        apart = camera.turned_half().parameters - camera.parameters
        lens = Lens(
            camera.with_parameters(camera.parameters + share * apart),
            one.lens.covariance + share * (1.0 - share) * np.outer(apart, apart),
        )
        name = names[photo.path]
        both = replace(one, lens=lens, key=(*one.key, name), findings=(Finding("turned-unsure", (name,)),))
        opened[photo.path] = both.standing(photo, job)
    return opened


def _usual(one: LensOfPhoto) -> float:
    """What turning a photo costs by what phones do: 1 from the usual way, -1 back to it, 0 where neither is."""
    return 0.0 if one.usual is None else 1.0 if one.usual else -1.0
