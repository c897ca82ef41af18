"""Bent bolts: is what the sides bow by more than chance, and can it be passed as straight?"""

from __future__ import annotations

import numpy as np

from sillwright.measure.find import FoundBolt
from sillwright.measure.search import BoltShape
from sillwright.outline import DENSE
from sillwright.solve.bow import Bow, fit_bow
from sillwright.solve.nut import NutSeen, hidden_by_nut

# With 1 mm at mid-height a bolt 4 in tall leans 2.2 degrees more at its foot than from foot to tip, and as much less at
# its tip: over the 2 degrees that leans are given to, and most of the play of a hole drilled 1/16 in over the bolt.
BOW_LIMIT_MM = 1.0
BOW_PULL = 3.5
COVERAGE_ONE_SIDED = 1.64  # 95 % of a normal lies below so many sigmas


def bow_of(found: FoundBolt, nut: NutSeen | None, shape: BoltShape) -> Bow:
    """How far a bolt bows, by the sides that its nut, or a washer under it, leaves in sight."""
    nothing = np.zeros(DENSE.size, dtype=bool)
    hidden = [nothing if nut is None else hidden_by_nut(view, nut, washer=True) for view in found.views]
    return fit_bow(found.views, found.fit, shape.chamfer_mm, hidden)


def is_bent(bow: Bow) -> bool:
    """Whether a bow is told.

    It must stand out of the noise, since next to all bolts are straight. One that does is passed as straight only
    where even the far end of its interval lies within the limit (guarded acceptance, JCGM 106:2012, 8.3.2).
    """
    return bow.pull > BOW_PULL and bow.size_mm + COVERAGE_ONE_SIDED * bow.sigma_mm > BOW_LIMIT_MM
