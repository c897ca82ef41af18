"""Whether snapping the chalk line again, a little over or a little turned, brings more bolts into the middle third.

A shift is positive toward the plate's side of the line (+Y); a bolt's setback falls by it. It is given at both ends of
the run and runs straight between them; both alike is a parallel shift. What bolts and wall faces allow are straight
lines in these two numbers, so what meets them all is a convex polygon. The least change in it, by the larger of the two
ends, is a linear programme (Dantzig; solved by HiGHS).

Each bolt keeps its own 95 % half-width from its limits, and where the line is snapped again half a width for that. The
faces keep theirs. A bolt is judged where it leaves the concrete, as in ``checks``. Nothing is said here of what else
hangs on the line: corners, the runs they join, the size of the house.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import linprog

from sillwright.judge.overhang import EDGE_U95_MM, Faces, faces, setback_at_mm
from sillwright.judge.rules import RuleSet
from sillwright.judge.verdicts import TOUCHES_MM
from sillwright.survey import BoltRecord, RunRecord

RESNAP_U95_MM = 25.4 / 32.0  # a line snapped again between two taped marks; common practice, no source
_LEAST_TURNABLE_MM = 300.0  # bolts closer together than this say nothing of a turn

Array = NDArray[np.float64]


@dataclass(frozen=True)
class LineShift:
    """One way to snap the line: how far over at the run's low and high end, mm, and the bolts that then meet."""

    shift_low_mm: float
    shift_high_mm: float
    meets: tuple[str, ...]

    @property
    def change_mm(self) -> float:
        """The larger of the two ends' moves."""
        return max(abs(self.shift_low_mm), abs(self.shift_high_mm))


@dataclass(frozen=True)
class ShiftAdvice:
    """What another line would gain on one run; lengths mm, marks in the order of stations.

    low_mm, high_mm : the stations that the shifts are given at: the ends of the plates
    judged, left_out : the bolts weighed, and those with no setback to rely on
    doubtful : of those judged, the ones that are ``check`` in the record
    meet_now : with the line where it is
    every_bolt_mm : the parallel shifts, from least to largest, at which every judged bolt meets and the faces are held,
    the width for snapping again kept; None where there are none
    parallel, turned : the shift, and the shift with a turn, at which most bolts meet; of those the least change. Zero
    where no other line gains a bolt; None where no line holds the faces. ``turned`` is None too where the bolts stand
    too close together to say anything of a turn
    faces_held_now : whether the line where it is surely keeps overhang and bearing, as far as faces were seen
    faces_unseen : sides with a limit set whose edge was not seen: nothing is known to hold there
    """

    run: str
    low_mm: float
    high_mm: float
    judged: tuple[str, ...]
    left_out: tuple[str, ...]
    doubtful: tuple[str, ...]
    meet_now: tuple[str, ...]
    every_bolt_mm: tuple[float, float] | None
    parallel: LineShift | None
    turned: LineShift | None
    faces_held_now: bool
    faces_unseen: tuple[str, ...]

    @property
    def gained(self) -> int:
        """Bolts more than now that the better of both lines brings in; under 0 where only fewer go with the faces."""
        lines = [line for line in (self.parallel, self.turned) if line is not None]
        return max((len(line.meets) for line in lines), default=0) - len(self.meet_now)

    @property
    def nothing_does(self) -> bool:
        """Some bolt does not surely meet now, and no other line brings in one more."""
        return len(self.meet_now) < len(self.judged) and self.gained <= 0


@dataclass(frozen=True)
class _Strips:
    """Bands low <= weight @ (shift_low, shift_high) <= high, one a row."""

    weight: Array
    low: Array
    high: Array

    def held(self, shifts_mm: Array, slack_mm: float = TOUCHES_MM) -> NDArray[np.bool_]:
        """(shifts, strips): which shifts (N, 2) lie in which strips, by ``slack_mm``."""
        at = shifts_mm @ self.weight.T
        return (at >= self.low - slack_mm) & (at <= self.high + slack_mm)

    def of(self, rows: Sequence[int] | NDArray[np.intp]) -> _Strips:
        return _Strips(self.weight[rows], self.low[rows], self.high[rows])


def line_shift(
    run: RunRecord,
    rules: RuleSet,
    ends_mm: tuple[float, float] | None = None,
    *,
    edge_u95_mm: float = EDGE_U95_MM,
    resnap_u95_mm: float = RESNAP_U95_MM,
) -> ShiftAdvice | None:
    """Weigh other chalk lines for one run; None where no bolt has a setback to rely on.

    ends_mm : the stations where the plates of the run begin and end; without them the first and the last bolt's

    Where the rule set has no middle part of the width, the distance from the plate's edges counts, and where it has
    neither, a bolt is only to stand whole under the plate.
    """
    placed = sorted(_reliable(run.bolts), key=lambda bolt: bolt.station_mm or 0.0)
    if not placed:
        return None
    stations = np.array([bolt.station_mm for bolt in placed])
    low_mm, high_mm = ends_mm or (float(stations[0]), float(stations[-1]))
    now = _bolt_strips(placed, run.plate_width_mm, rules, (low_mm, high_mm), 0.0)
    again = _bolt_strips(placed, run.plate_width_mm, rules, (low_mm, high_mm), resnap_u95_mm)
    seen = faces(run)
    walls = _face_strips(seen, run.plate_width_mm, rules, (low_mm, high_mm), edge_u95_mm)
    marks = tuple(bolt.mark for bolt in placed)
    origin = np.zeros((1, 2))
    meet_now = now.held(origin)[0]
    stay = LineShift(0.0, 0.0, _named(marks, meet_now)) if bool(walls.held(origin).all()) else None
    turnable = len(placed) > 1 and float(stations[-1] - stations[0]) >= _LEAST_TURNABLE_MM
    return ShiftAdvice(
        run=run.name,
        low_mm=low_mm,
        high_mm=high_mm,
        judged=marks,
        left_out=tuple(bolt.mark for bolt in run.bolts if bolt.mark not in marks),
        doubtful=tuple(bolt.mark for bolt in placed if bolt.status != "ok"),
        meet_now=_named(marks, meet_now),
        every_bolt_mm=_interval(again, walls),
        parallel=_better(stay, _best(again, walls, marks, np.array([[1.0], [1.0]]))),
        turned=_better(stay, _best(again, walls, marks, np.eye(2))) if turnable else None,
        faces_held_now=stay is not None,
        faces_unseen=_unseen(seen, rules),
    )


def _reliable(bolts: Iterable[BoltRecord]) -> list[BoltRecord]:
    return [
        bolt
        for bolt in bolts
        if bolt.status != "reshoot"
        and bolt.station_mm is not None
        and bolt.setback_mm is not None
        and bolt.u95.setback_mm is not None
    ]


def _bolt_strips(
    bolts: Sequence[BoltRecord],
    plate_width_mm: float,
    rules: RuleSet,
    ends_mm: tuple[float, float],
    resnap_u95_mm: float,
) -> _Strips:
    """For each bolt the shifts at its station that leave it surely within its limits across the plate."""
    rows, lows, highs = [], [], []
    low_mm, length_mm = ends_mm[0], ends_mm[1] - ends_mm[0]
    for bolt in bolts:
        assert bolt.station_mm is not None
        assert bolt.setback_mm is not None
        assert bolt.u95.setback_mm is not None
        share = (bolt.station_mm - low_mm) / length_mm if length_mm > 0.0 else 0.5
        edge_mm = rules.plate_edge_mm(bolt.diameter_mm) or bolt.diameter_mm / 2.0
        least_mm, largest_mm = edge_mm, plate_width_mm - edge_mm
        if rules.across is not None:
            least_mm, largest_mm = rules.across.limits_mm(plate_width_mm)
        u95_mm = math.hypot(bolt.u95.setback_mm, resnap_u95_mm)
        rows.append((1.0 - share, share))
        lows.append(bolt.setback_mm - largest_mm + u95_mm)
        highs.append(bolt.setback_mm - least_mm - u95_mm)
    return _Strips(np.array(rows), np.array(lows), np.array(highs))


def _face_strips(
    seen: Faces, plate_width_mm: float, rules: RuleSet, ends_mm: tuple[float, float], u95_mm: float
) -> _Strips:
    """The shifts at either end that keep overhang and bearing within the crew's limits, over the edges seen."""
    lows, highs = [], []
    hang_mm = math.inf if rules.overhang_largest is None else rules.overhang_largest.value_mm
    bears_mm = -math.inf if rules.bearing_least is None else rules.bearing_least.value_mm
    for end_mm in ends_mm:
        near_mm = -math.inf if seen.line_side is None else setback_at_mm(seen.line_side, end_mm) + u95_mm
        far_mm = math.inf if seen.far_side is None else setback_at_mm(seen.far_side, end_mm) - u95_mm
        lows.append(max(near_mm - hang_mm, near_mm + bears_mm - plate_width_mm))
        highs.append(min(far_mm - plate_width_mm + hang_mm, far_mm - bears_mm))
        if min(far_mm - near_mm, plate_width_mm) < bears_mm:  # no line gives it that much to bear on
            lows[-1], highs[-1] = math.inf, -math.inf
    return _Strips(np.eye(2), np.array(lows), np.array(highs))


def _unseen(seen: Faces, rules: RuleSet) -> tuple[str, ...]:
    if rules.overhang_largest is None and rules.bearing_least is None:
        return ()
    sides = (("chalk-line side", seen.line_side), ("far side", seen.far_side))
    return tuple(side for side, edge in sides if edge is None)


def _interval(bolts: _Strips, walls: _Strips) -> tuple[float, float] | None:
    """The parallel shifts in every strip: each strip's weights add up to one, so its bounds are the shifts' own."""
    low = float(max(bolts.low.max(), walls.low.max()))
    high = float(min(bolts.high.min(), walls.high.min()))
    return (low, high) if low <= high else None


def _named(marks: Sequence[str], held: NDArray[np.bool_]) -> tuple[str, ...]:
    return tuple(mark for mark, inside in zip(marks, held, strict=True) if inside)


def _better(stay: LineShift | None, moved: LineShift | None) -> LineShift | None:
    """A line that is moved must bring in a bolt more than the one that is there."""
    if moved is None or (stay is not None and len(stay.meets) >= len(moved.meets)):
        return stay
    return moved


def _best(bolts: _Strips, walls: _Strips, marks: Sequence[str], basis: Array) -> LineShift | None:
    """The least change among the shifts ``basis @ x`` that hold the faces and most bolts; None where none hold them.

    Where most strips overlap is a polygon with corners where bounds cross, so trying all crossings finds it.
    """
    corners = _crossings(bolts, walls, basis) @ basis.T
    # Slack grows from here to the programme and to the last word, so that a corner found is never lost to rounding.
    corners = corners[walls.held(corners, 0.2 * TOUCHES_MM).all(axis=1)]
    if not len(corners):
        return None
    held = bolts.held(corners, 0.2 * TOUCHES_MM)
    counts = held.sum(axis=1)
    found = []
    for inside in np.unique(held[counts == counts.max()], axis=0):
        shift = _least_change(bolts.of(np.flatnonzero(inside)), walls, basis)
        if shift is not None:
            found.append(LineShift(shift[0], shift[1], _named(marks, bolts.held(np.array([shift]))[0])))
    return min(found, key=lambda line: (-len(line.meets), line.change_mm), default=None)


def _crossings(bolts: _Strips, walls: _Strips, basis: Array) -> Array:
    """Every x (N, k) at which k bounds of strips are reached at once, k the number of columns of the basis."""
    weight = np.vstack([bolts.weight, walls.weight]) @ basis
    rows = np.vstack([weight, weight])
    bounds = np.concatenate([bolts.low, walls.low, bolts.high, walls.high])
    finite = np.isfinite(bounds)
    rows, bounds = rows[finite], bounds[finite]
    if basis.shape[1] == 1:
        return bounds[:, None] / rows
    first, second = np.triu_indices(len(rows), k=1)
    a, b = rows[first], rows[second]
    cross = a[:, 0] * b[:, 1] - a[:, 1] * b[:, 0]
    apart = np.abs(cross) > 1e-6  # strips of bolts nearly at one station meet nowhere near
    a, b, cross = a[apart], b[apart], cross[apart]
    reach = np.column_stack([bounds[first][apart], bounds[second][apart]])
    return np.column_stack(
        [
            (reach[:, 0] * b[:, 1] - reach[:, 1] * a[:, 1]) / cross,
            (reach[:, 1] * a[:, 0] - reach[:, 0] * b[:, 0]) / cross,
        ]
    )


def _least_change(bolts: _Strips, walls: _Strips, basis: Array) -> tuple[float, float] | None:
    """The shifts in all strips whose larger end is least, by linear programming; of several the least in sum.

    Unknowns: x, the larger end's size, and each end's size.
    """
    weight = np.vstack([bolts.weight, walls.weight]) @ basis
    size = basis.shape[1]
    rows = np.vstack([weight, -weight])
    bounds = np.concatenate([bolts.high, walls.high, -bolts.low, -walls.low])
    rows, bounds = rows[np.isfinite(bounds)], bounds[np.isfinite(bounds)]
    rows = np.hstack([rows, np.zeros((len(rows), 3))])
    either = np.vstack([basis, -basis])
    larger = np.hstack([either, np.tile([-1.0, 0.0, 0.0], (4, 1))])
    each = np.hstack([either, np.tile([[0.0, -1.0, 0.0], [0.0, 0.0, -1.0]], (2, 1))])
    solved = linprog(
        np.array([0.0] * size + [1.0, 1e-3, 1e-3]),
        A_ub=np.vstack([rows, larger, each]),
        b_ub=np.concatenate([bounds + 0.5 * TOUCHES_MM, np.zeros(8)]),
        bounds=[(None, None)] * (size + 3),
        method="highs",
    )
    if solved.status != 0 or solved.x is None:
        return None
    shift = basis @ solved.x[:size]
    return float(shift[0]), float(shift[1])
