"""Where to joint the second plate of a run, lapped over the joints of the first; stations and lengths in millimetres.

The second plate is drilled through the first and held by the same bolts, so that no number of bolts and no spacing is
asked of its pieces. Its joints keep 24 in from those below: the figure IRC R602.3.2 has for the end joints of double
*top* plates (from memory); no figure for double sills was found. Joints keep clear of bolts by the least end distance,
so that no hole splits an end. How the best plan is chosen stands in ``splice_search``; here no anchor is ever added, a
doubt is a bolt not surely clear of a joint, and a joint's margin is what is left of the stagger and of that distance.
"""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np

from sillwright.errors import JobError
from sillwright.lengths import format_feet_inches
from sillwright.plates.splice import MARK_MM, STOCK_MM, SplicePlan, SpliceRun, bolts_on, check_run, lay, stations
from sillwright.plates.splice_findings import SpliceFinding, findings_at
from sillwright.plates.splice_rule import EPS_MM, AnchorRule, judge_ends, judge_gaps
from sillwright.plates.splice_search import Layer

STAGGER_MM = 24 * 25.4
END_LEAST_MM = 3.5 * 25.4  # 7 diameters of a 1/2 in bolt, as for the first plate (IRC R403.1.6)


def plan_second_layer(
    run: SpliceRun,
    first_joints_mm: tuple[float, ...],
    stagger_mm: float = STAGGER_MM,
    end_least_mm: float = END_LEAST_MM,
    stock_mm: tuple[float, ...] = STOCK_MM,
    mark_mm: float = MARK_MM,
) -> SplicePlan:
    """The best joints of a run's second plate, at whole ``mark_mm`` from its own low end.

    ``run`` holds the ends of the second plate (lapped at corners, so not those of the first) and the bolts through it;
    ``first_joints_mm`` the stations of the joints below, those at the run's ends left out. Pieces are ``stagger_mm``
    long at least, but where the run is shorter (common practice, no source). Counted in this order: bolts not surely
    ``end_least_mm`` clear of a joint, pieces, waste, the smallest margin, the sum of margins.

    Raises JobError where the run has no length, a figure makes no sense, or no plan keeps the stagger.
    """
    rule = AnchorRule(end_least_mm, None, 0, None)
    check_run(run, rule, stock_mm, mark_mm)
    if not all(math.isfinite(figure) for figure in (*first_joints_mm, stagger_mm)) or stagger_mm <= 0.0:
        raise JobError(f"{run.name}: the stagger of the plates' joints must be more than 0, and the joints be numbers.")
    bolts, off = bolts_on(run)
    ends = judge_ends(stations(run, mark_mm), bolts, rule, run.out_mm)
    lap_mm = np.full(len(ends.station_mm), np.inf)
    for joint_mm in first_joints_mm:
        lap_mm = np.minimum(lap_mm, np.abs(ends.station_mm - joint_mm) - stagger_mm)
    ends = replace(ends, margin_mm=np.minimum(ends.margin_mm, lap_mm).clip(-rule.margin_cap_mm))
    layer = Layer(run.name, ends, lap_mm >= -EPS_MM, judge_gaps(bolts, rule), rule, mark_mm, stagger_mm, stock_mm)
    try:
        cuts, plan = lay(run, layer)
    except JobError as fault:
        raise JobError(
            f"{run.name}: no second plate of this stock has its joints {format_feet_inches(stagger_mm)} or more from "
            "those of the first and pieces as long as that. Name longer stock, or state a smaller stagger."
        ) from fault
    findings = [SpliceFinding("bolt-off-plate", marks=off)] if off else []
    for cut in cuts:
        findings += findings_at(ends, cut, bolts, rule)
    return replace(plan, findings=tuple(findings))
