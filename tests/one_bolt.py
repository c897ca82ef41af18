"""One bolt between two photos of a short stretch of wall, for tests of what stands and what lies flat."""

from __future__ import annotations

import numpy as np

from scenes import Bar, overhead
from sillwright.outline import Bolt
from sillwright.see.bolts import WallArea

AREA = WallArea(370.0, 530.0, -10.0, 150.0)
POSES = (
    overhead(150.0, -30.0, 1250.0, lean_deg=(3.0, 1.0), turn_deg=2.0),
    overhead(780.0, 20.0, 1300.0, lean_deg=(2.0, -2.0), turn_deg=179.0),
)
BOLT = Bolt(np.array([450.0, 70.0, 0.0]), np.array([453.0, 72.0, 92.0]), 6.35)
BAR = Bar(BOLT, 1.2, 1.954)
