"""What is to be said of a splice plan, as codes: what it lacks, and what nobody can tell; stations in millimetres."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise
from typing import Literal

from sillwright.plates.splice_anchors import AddedAnchor
from sillwright.plates.splice_rule import EPS_MM, AnchorRule, Ends, RunBolt, gap_verdict

SpliceCode = Literal[
    "no-bolts",  # the run has no bolts: every anchor is to be added
    "anchors-to-approve",  # an engineer or the building official must approve each added anchor first
    "joint-needs-anchor",  # no bolt in the window on one side of a joint
    "end-needs-anchor",  # the same at an end of the run
    "spacing-too-wide",  # neighbouring bolts farther apart than the rule allows
    "too-few-bolts",  # a piece with fewer bolts than it wants
    "joint-cannot-tell",  # the bolt that serves a joint is within its u95 of the limit
    "end-cannot-tell",  # the same at an end of the run
    "spacing-cannot-tell",  # a gap within its u95 of the limit
    "bolt-near-joint",  # a bolt not surely as far from a joint as the rule asks of end bolts
    "bolt-near-end",  # the same at an end of the run
    "bolt-too-near-joint",  # a bolt surely nearer a joint than that
    "bolt-too-near-end",  # the same at an end of the run
    "bolt-off-plate",  # a bolt beyond the ends of the run: not counted
    "run-too-short",  # no anchor in it can keep the least end distance
]

NEAR: tuple[SpliceCode, ...] = ("bolt-near-end", "bolt-near-joint", "bolt-too-near-end", "bolt-too-near-joint")


@dataclass(frozen=True)
class SpliceFinding:
    """A code, where it is, the marks it speaks of, and how many anchors or how far, where that says something.

    to_station_mm : where it ends, of a stretch between two stations
    """

    code: SpliceCode
    station_mm: float | None = None
    marks: tuple[str, ...] = ()
    count: int | None = None
    to_station_mm: float | None = None


def splice_findings(
    ends: Ends,
    cuts: tuple[int, ...],
    bolts: tuple[RunBolt, ...],
    posts: tuple[RunBolt, ...],
    added: tuple[AddedAnchor, ...],
    off: tuple[str, ...],
    rule: AnchorRule,
) -> tuple[SpliceFinding, ...]:
    """All findings of a plan cut at ``cuts`` (indices into ``ends``), those of the whole run first.

    ``bolts`` are those cast, ``posts`` these and the planned ones that ``ends`` was judged with, ``off`` the marks of
    bolts beyond the run.
    """
    found = []
    low_mm, high_mm = float(ends.wood_mm[0]), float(ends.wood_mm[-1])
    if not bolts:
        found.append(SpliceFinding("no-bolts"))
    if off:
        found.append(SpliceFinding("bolt-off-plate", marks=off))
    if high_mm - low_mm < 2.0 * rule.clear_mm - EPS_MM:
        found.append(SpliceFinding("run-too-short"))
    if added:
        found.append(SpliceFinding("anchors-to-approve", count=len(added)))
    for cut in cuts:
        found += findings_at(ends, cut, posts, rule)
    for low, high in pairwise(cuts):
        found += _of_piece(ends, low, high, bolts, added, rule)
    return tuple(found)


def findings_at(ends: Ends, cut: int, posts: tuple[RunBolt, ...], rule: AnchorRule) -> list[SpliceFinding]:
    """Of one joint, or one end of the run: which sides want an anchor, or cannot be told, and bolts too near."""
    at_mm, wood_mm, last = float(ends.station_mm[cut]), float(ends.wood_mm[cut]), len(ends.station_mm) - 1
    above, below = cut != last, cut != 0
    found = []
    wanting = int(above and ends.low_added[cut] > 0) + int(below and ends.high_added[cut] > 0)
    if not (above and below) and rule.end_most_mm is not None:
        reach_mm = rule.end_most_mm + EPS_MM
        wanting += sum(post.planned == "end" and abs(post.station_mm - wood_mm) <= reach_mm for post in posts)
    if wanting:
        code: SpliceCode = "joint-needs-anchor" if above and below else "end-needs-anchor"
        found.append(SpliceFinding(code, at_mm, count=wanting))
    perhaps: tuple[str, ...] = ()
    if below and ends.high_perhaps[cut]:
        perhaps += _perhaps_serving(wood_mm, -1.0, posts, rule)
    if above and ends.low_perhaps[cut]:
        perhaps += _perhaps_serving(wood_mm, 1.0, posts, rule)
    if perhaps:
        code = "joint-cannot-tell" if above and below else "end-cannot-tell"
        found.append(SpliceFinding(code, at_mm, perhaps))
    return found + _near(at_mm, wood_mm, posts, rule, joint=above and below)


def _near(
    at_mm: float, wood_mm: float, posts: tuple[RunBolt, ...], rule: AnchorRule, *, joint: bool
) -> list[SpliceFinding]:
    """Bolts surely nearer than the least end distance, and those that may be."""
    spare_mm = {bolt: abs(bolt.station_mm - wood_mm) - rule.clear_mm + EPS_MM for bolt in posts}
    near = [bolt for bolt in posts if spare_mm[bolt] < bolt.u95_mm]
    surely = tuple(bolt.mark for bolt in near if spare_mm[bolt] < -bolt.u95_mm and not bolt.planned)
    perhaps = tuple(bolt.mark for bolt in near if bolt.mark not in surely and not bolt.planned)
    codes: tuple[tuple[SpliceCode, tuple[str, ...]], ...] = (
        ("bolt-too-near-joint" if joint else "bolt-too-near-end", surely),
        ("bolt-near-joint" if joint else "bolt-near-end", perhaps),
    )
    return [SpliceFinding(code, at_mm, marks) for code, marks in codes if marks]


def _perhaps_serving(at_mm: float, way: float, posts: tuple[RunBolt, ...], rule: AnchorRule) -> tuple[str, ...]:
    assert rule.end_most_mm is not None
    marks = []
    for bolt in posts:
        away_mm = way * (bolt.station_mm - at_mm)
        inside_mm = min(away_mm - rule.end_least_mm, rule.end_most_mm - away_mm)
        if away_mm > 0.0 and inside_mm + bolt.u95_mm >= -EPS_MM:
            marks.append(bolt.mark)
    return tuple(marks)


def _of_piece(
    ends: Ends,
    low: int,
    high: int,
    bolts: tuple[RunBolt, ...],
    added: tuple[AddedAnchor, ...],
    rule: AnchorRule,
) -> list[SpliceFinding]:
    """Spacing and number of bolts in one piece."""
    low_mm, high_mm = float(ends.wood_mm[low]), float(ends.wood_mm[high])
    own = [anchor for anchor in added if low_mm < (anchor.low_mm + anchor.high_mm) / 2.0 <= high_mm]
    found = _gaps((low_mm, high_mm), own, bolts)
    few = sum(anchor.wanted_by == "count" for anchor in own)
    if few:
        found.append(SpliceFinding("too-few-bolts", float(ends.station_mm[low]), count=few))
    for below, above in pairwise(bolts):
        if low_mm < below.station_mm and above.station_mm < high_mm and gap_verdict(below, above, rule)[1]:
            found.append(SpliceFinding("spacing-cannot-tell", below.station_mm, (below.mark, above.mark)))
    return found


def _gaps(ends_mm: tuple[float, float], added: list[AddedAnchor], bolts: tuple[RunBolt, ...]) -> list[SpliceFinding]:
    """Each gap that wants anchors: from the bolt, or the piece's end, below it to the one above."""
    counts: dict[tuple[float, float, tuple[str, ...]], int] = {}
    for anchor in added:
        if anchor.wanted_by == "spacing":
            at_mm = (anchor.low_mm + anchor.high_mm) / 2.0
            below = max((bolt for bolt in bolts if bolt.station_mm < at_mm), key=lambda b: b.station_mm, default=None)
            above = min((bolt for bolt in bolts if bolt.station_mm >= at_mm), key=lambda b: b.station_mm, default=None)
            from_mm = ends_mm[0] if below is None else below.station_mm
            to_mm = ends_mm[1] if above is None else above.station_mm
            gap = from_mm, to_mm, tuple(bolt.mark for bolt in (below, above) if bolt is not None)
            counts[gap] = counts.get(gap, 0) + 1
    return [SpliceFinding("spacing-too-wide", gap[0], gap[2], count, gap[1]) for gap, count in counts.items()]
