"""Bolts with nuts on: the nut is found in all photos, and the bolt fitted again without what it hides."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from sillwright.measure.find import FoundBolt, refit
from sillwright.measure.search import BoltShape
from sillwright.outline import DENSE, FOOT
from sillwright.solve.nut import NutSeen, hidden_by_nut, likeliest_nut

ROUNDS = 2  # where the first fit took the nut for the foot, the nut is placed again on the new one
FOOT_SHOWN = 0.5  # of the arc of the foot: with less of it in sight its place is the nut's or its shade's


def with_nut(found: FoundBolt, shape: BoltShape) -> tuple[FoundBolt, NutSeen | None]:
    """The nut on a bolt, and the bolt fitted by what it leaves in sight; a bolt without one unchanged.

    A nut that leaves the foot in sight in every photo leaves the fit as it is too: foot, end and sides have held it.
    """
    nut = likeliest_nut(found.views, found.fit, shape.chamfer_mm)
    if not nut.is_one:
        return found, None
    if all(_foot_shown(hidden_by_nut(view, nut, washer=False)) >= FOOT_SHOWN for view in found.views):
        return found, nut
    for again in range(ROUNDS):
        if again:
            nut = likeliest_nut(found.views, found.fit, shape.chamfer_mm)
        views = tuple(replace(view, hidden=hidden_by_nut(view, nut, washer=False)) for view in found.views)
        found = refit(replace(found, views=views), shape, nut.parameters)
    return found, nut


def shows_foot(found: FoundBolt, least_evidence: float) -> bool:
    """Whether any photo shows the bolt's foot where no nut stands before it."""
    shown = [view.hidden is None or _foot_shown(view.hidden) >= FOOT_SHOWN for view in found.views]
    return any(seen and part.foot_seen >= least_evidence for seen, part in zip(shown, found.evidence, strict=True))


def _foot_shown(hidden: NDArray[np.bool_]) -> float:
    return float(np.mean(~hidden[DENSE.part == FOOT]))
