"""Every splice plan of a small run, one by one, and drawn runs to plan; the planner's search has no part in it."""

from __future__ import annotations

import itertools
import math
import random

from sillwright.plates.splice import AnchorRule, RunBolt, SplicePlan, SpliceRun

IN = 25.4
EPS = 1e-6


def inside_window(end: float, way: float, bolt: RunBolt, rule: AnchorRule) -> float:
    """How far inside the window of an end a bolt stands; way +1 looks up from the end, -1 down."""
    assert rule.end_most_mm is not None
    away = way * (bolt.station_mm - end)
    return min(away - rule.end_least_mm, rule.end_most_mm - away) if away > 0 else -math.inf


def steps_to(target: float, reach: float, rule: AnchorRule) -> int:
    """Anchors to set one after the other, each as far on as the spacing allows, until the target is near enough."""
    steps = 0
    while rule.spacing_most_mm is not None and target - reach > rule.spacing_most_mm + EPS:
        reach, steps = reach + rule.spacing_most_mm, steps + 1
    return steps


def fewest_to_add(low: float, high: float, cast: list[RunBolt], rule: AnchorRule) -> tuple[int, int]:
    """Anchors to add in one piece, walking up it and setting each as late as allowed; what in it holds only perhaps."""
    assert rule.end_most_mm is not None
    least, most = rule.end_least_mm, rule.end_most_mm
    inside = [b for b in cast if low < b.station_mm < high]
    while inside and inside[0].station_mm + inside[0].u95_mm < low + least - EPS:
        inside.pop(0)
    while inside and inside[-1].station_mm - inside[-1].u95_mm > high - least + EPS:
        inside.pop()
    unserved, doubts = [], 0
    for end, way in ((low, 1.0), (high, -1.0)):
        margins = [(inside_window(end, way, b, rule), b.u95_mm) for b in cast]
        unserved.append(not any(margin + u95 >= -EPS for margin, u95 in margins))
        doubts += not unserved[-1] and not any(margin - u95 >= -EPS for margin, u95 in margins)
    overlap = high - low < 2 * most - EPS
    if not inside:
        added = 1 if overlap else 2 + steps_to(high - most, low + most, rule)
        return max(added, rule.bolts_a_piece), doubts
    added = unserved[0] + unserved[1] - (unserved[0] and unserved[1] and overlap)
    if unserved[0]:
        added += steps_to(inside[0].station_mm + inside[0].u95_mm, low + most, rule)
    if unserved[1]:
        added += steps_to(high - most, inside[-1].station_mm - inside[-1].u95_mm, rule)
    for below, above in itertools.pairwise(inside):
        gap, u95 = above.station_mm - below.station_mm, above.u95_mm + below.u95_mm
        if steps_to(gap - u95, 0.0, rule):
            added += steps_to(gap + u95, 0.0, rule)
        else:
            doubts += steps_to(gap + u95, 0.0, rule) > 0
    return max(added, rule.bolts_a_piece - len(inside)), doubts


def margin_tenths(at: float, cast: list[RunBolt], rule: AnchorRule) -> int:
    assert rule.end_most_mm is not None
    cap = (rule.end_most_mm - rule.end_least_mm) / 2.0
    limits = [abs(b.station_mm - at) - b.u95_mm - max(rule.end_least_mm, 1.5 * IN) for b in cast]
    for way in (1.0, -1.0):
        serving = [(inside_window(at, way, b, rule), b.u95_mm) for b in cast]
        if any(margin + u95 >= -EPS for margin, u95 in serving):
            limits.append(max(margin - u95 for margin, u95 in serving))
    return round(max(-cap, min([cap, *limits])) * 10)


def near(at: float, cast: list[RunBolt], rule: AnchorRule) -> int:
    clear = max(rule.end_least_mm, 1.5 * IN)
    return sum(abs(b.station_mm - at) - b.u95_mm < clear - EPS for b in cast)


def best_of_all(plate: SpliceRun, rule: AnchorRule, stock: tuple[float, ...], mark: float) -> tuple[float, ...] | None:
    """The best (added, doubts, pieces, waste, -smallest margin, -sum of margins) over every set of joints."""
    assert rule.end_most_mm is not None
    cast = list(plate.bolts)
    count = math.ceil((plate.high_mm - plate.low_mm - EPS) / mark)
    at = [plate.low_mm + index * mark for index in range(count)] + [plate.high_mm]

    def piece(i: int, j: int) -> tuple[int, int, float] | None:
        needs = at[j] - at[i] + plate.low_allowance_mm * (i == 0) + plate.high_allowance_mm * (j == count)
        serving = [s for s in stock if s >= needs - EPS]
        if not serving or (at[j] - at[i] < 2 * rule.end_most_mm - EPS and (i, j) != (0, count)):
            return None
        added, doubts = fewest_to_add(at[i], at[j], cast, rule)
        return (
            added,
            doubts + near(at[j], cast, rule) + (near(at[0], cast, rule) if i == 0 else 0),
            min(serving) - needs,
        )

    pieces = {(i, j): piece(i, j) for i in range(count) for j in range(i + 1, count + 1)}
    margins = [margin_tenths(x, cast, rule) for x in at]
    best: tuple[float, ...] | None = None

    def go(i: int, sums: tuple[int, int, int, float], seen: list[int]) -> None:
        nonlocal best
        for j in range(i + 1, count + 1):
            cost = pieces[i, j]
            if cost is None:
                continue
            total = (sums[0] + cost[0], sums[1] + cost[1], sums[2] + 1, sums[3] + cost[2])
            if j < count:
                go(j, total, [*seen, margins[j]])
                continue
            whole = (*total[:3], round(total[3], 4), -min(seen, default=0), -sum(seen))
            best = whole if best is None or whole < best else best

    go(0, (0, 0, 0, 0.0), [])
    return best


def value(plan: SplicePlan) -> tuple[float, ...]:
    margins = [round(joint.margin_mm * 10) for joint in plan.joints]
    waste = round(plan.waste_mm, 4)
    return (len(plan.added), plan.doubts, len(plan.pieces), waste, -min(margins, default=0), -sum(margins))


def random_case(seed: int) -> tuple[SpliceRun, AnchorRule, tuple[float, ...], float]:
    """A short run on coarse marks: bolts at random or nearly even, some badly known; rules tight and wide."""
    draw = random.Random(seed)
    mark = draw.choice([4.0, 6.0, 8.0])
    length = mark * draw.randint(3, 24) + draw.choice([0.0, 0.0, 1.5])
    rule = AnchorRule(
        draw.choice([3.5, 4.375, 1.0]) * IN,
        draw.choice([12.0, 12.0, 10.0]) * IN,
        draw.choice([1, 2, 2, 2, 3, 4]),
        draw.choice([None, 24.0 * IN, 30.0 * IN, 48.0 * IN, 72.0 * IN]),
    )
    if draw.random() < 0.5:
        spots = [draw.randint(0, int(4 * length)) / 4.0 for _ in range(draw.randint(0, 9))]
    else:
        step = draw.choice([14.0, 18.0, 22.0])
        spots = [5.0 + step * i + draw.randint(-8, 8) / 4.0 for i in range(int((length - 6.0) / step) + 1)]
    cast = [RunBolt(f"N{i}", spot * IN, draw.choice([0.0, 0.5, 12.7, 30.0])) for i, spot in enumerate(sorted(spots))]
    stock = sorted(draw.sample([30.0, 36.0, 48.0, 60.0, 72.0, 96.0], draw.randint(1, 4)))
    allowances = draw.choice([0.0, 5.5 * IN]), draw.choice([0.0, 2.0 * IN])
    cast = [bolt for bolt in cast if 0.0 <= bolt.station_mm <= length * IN]
    return SpliceRun("drawn", 0.0, length * IN, tuple(cast), *allowances), rule, tuple(s * IN for s in stock), mark * IN
