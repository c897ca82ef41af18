"""How surely the place is known where two chalk lines cross."""

from __future__ import annotations

import math
from dataclasses import replace

import pytest

from judge_runs import a_bolt, a_run
from sillwright.plates.corners import crossing_u95_mm
from sillwright.survey import CornerRecord


def test_the_crossings_half_width_is_the_scales_and_what_moves_either_line() -> None:
    """Plane geometry: lines off by d each move the crossing by d / sin and d / tan of the angle; at 90 degrees by d."""
    held = replace(a_run([a_bolt(u95_mm=0.5, station_mm=0.0)]), scale_u95_ratio=0.001)
    slanted_mm = 0.5 * (math.sqrt(2.0) + 1.0)
    for angle_deg, lines_mm in ((90.0, 0.5), (45.0, slanted_mm), (135.0, slanted_mm)):
        corner = CornerRecord(("north", "east"), angle_deg, 0.05, {"north": -3000.0, "east": 0.0})
        assert crossing_u95_mm(corner, held) == pytest.approx(math.hypot(lines_mm, 3.0))
    assert crossing_u95_mm(CornerRecord(("north", "east"), 90.0, 0.05, {"north": 0.0}), a_run([])) is None
