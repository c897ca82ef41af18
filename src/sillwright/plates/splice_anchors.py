"""Which anchors one piece of plate wants added, and between which stations each may stand; in millimetres.

The stretches are independent: each anchor may stand anywhere in its own while every other stands anywhere in its own.
Where a row of anchors fills a gap, what the gap leaves of the largest spacing is therefore shared between them.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise
from typing import Literal

from sillwright.plates.splice_rule import EPS_MM, AnchorRule, Ends, RunBolt, gap_verdict


@dataclass(frozen=True)
class AddedAnchor:
    """One anchor to add, anywhere from ``low_mm`` to ``high_mm``, and what asks for it.

    *joint* and *end*: the end distance at a joint or an end of the run; *spacing*: a gap too wide; *count*: a piece
    with fewer bolts than it wants
    """

    low_mm: float
    high_mm: float
    wanted_by: Literal["joint", "end", "spacing", "count"]


@dataclass(frozen=True)
class _Post:
    """A bolt that stands (``fixed``), or the stretch of an anchor to add."""

    low_mm: float
    high_mm: float
    fixed: RunBolt | None = None
    wanted_by: Literal["joint", "end"] = "joint"


def anchors_to_add(
    ends: Ends, low: int, high: int, posts: tuple[RunBolt, ...], rule: AnchorRule
) -> tuple[AddedAnchor, ...]:
    """The fewest anchors that complete the piece between two stations of ``ends``, by index; in order of station.

    ``posts`` are the bolts ``ends`` was judged with; planned ones (``fill_first``) are anchors to add themselves.
    """
    low_mm, high_mm = float(ends.wood_mm[low]), float(ends.wood_mm[high])
    standing = posts[int(ends.first[low]) : int(ends.last[high]) + 1]
    row = _with_ends([_Post(bolt.station_mm, bolt.station_mm, bolt) for bolt in standing], ends, low, high, rule)
    added = _spread(row, rule)
    short = rule.bolts_a_piece - len(standing) - len(added)
    added += _anywhere(low_mm + rule.clear_mm, high_mm - rule.clear_mm, short)
    for index, bolt in enumerate(posts):
        if bolt.planned and low_mm < bolt.station_mm <= high_mm:
            added.append(_filler(index, posts, low_mm, high_mm, rule))
    return tuple(sorted(added, key=lambda anchor: (anchor.low_mm, anchor.high_mm)))


def _with_ends(row: list[_Post], ends: Ends, low: int, high: int, rule: AnchorRule) -> list[_Post]:
    """The row of standing bolts with an anchor in each window that no bolt serves."""
    if rule.end_most_mm is None:
        return row
    low_mm, high_mm = float(ends.wood_mm[low]), float(ends.wood_mm[high])
    low_by: Literal["joint", "end"] = "end" if low == 0 else "joint"
    high_by: Literal["joint", "end"] = "end" if high == len(ends.station_mm) - 1 else "joint"
    below = _Post(low_mm + rule.clear_mm, low_mm + rule.end_most_mm, None, low_by)
    above = _Post(high_mm - rule.end_most_mm, high_mm - rule.clear_mm, None, high_by)
    wants_low = not row or bool(ends.low_added[low] > 0)
    wants_high = not row or bool(ends.high_added[high] > 0)
    if wants_low and wants_high and high_mm - low_mm < 2.0 * rule.end_most_mm - EPS_MM:
        both = _Post(max(below.low_mm, above.low_mm), min(below.high_mm, above.high_mm), None, low_by)
        return sorted([*row, both], key=lambda post: post.low_mm)
    return [below] * wants_low + row + [above] * wants_high


def _spread(row: list[_Post], rule: AnchorRule) -> list[AddedAnchor]:
    """The anchors of a row, with those that fill its gaps; ends of the row give way inward of their windows' limits."""
    added = []
    lows, highs = [post.low_mm for post in row], [post.high_mm for post in row]
    for index, (below, above) in enumerate(pairwise(row)):
        if rule.spacing_most_mm is None or (
            below.fixed and above.fixed and below.fixed.planned and above.fixed.planned
        ):
            continue
        start_mm = below.high_mm if below.fixed is None else below.low_mm - below.fixed.u95_mm
        stop_mm = above.low_mm if above.fixed is None else above.high_mm + above.fixed.u95_mm
        if below.fixed and above.fixed:
            count, _ = gap_verdict(below.fixed, above.fixed, rule)
            if not count:
                continue
        else:
            count = int(rule.between(stop_mm - start_mm))
        step_mm = (stop_mm - start_mm) / (count + 1)
        movable = count + (below.fixed is None) + (above.fixed is None)
        share_mm = max(rule.spacing_most_mm - step_mm, 0.0) / (2.0 if movable > 1 else 1.0)
        for place in range(1, count + 1):
            middle_mm = start_mm + place * step_mm
            added.append(AddedAnchor(middle_mm - share_mm, middle_mm + share_mm, "spacing"))
        if below.fixed is None:
            lows[index] = max(lows[index], start_mm - share_mm)
        if above.fixed is None:
            highs[index + 1] = min(highs[index + 1], stop_mm + share_mm)
    ends = zip(lows, highs, row, strict=True)
    return added + [AddedAnchor(low, high, post.wanted_by) for low, high, post in ends if post.fixed is None]


def _anywhere(low_mm: float, high_mm: float, count: int) -> list[AddedAnchor]:
    """Anchors that only make up the number, each in a field of its own."""
    field_mm = (high_mm - low_mm) / max(count, 1)
    return [AddedAnchor(low_mm + i * field_mm, low_mm + (i + 1) * field_mm, "count") for i in range(count)]


def _filler(index: int, posts: tuple[RunBolt, ...], low_mm: float, high_mm: float, rule: AnchorRule) -> AddedAnchor:
    """The stretch of a planned anchor: its neighbours stay near enough, and it stays in the windows it stands in."""
    at_mm, most_mm = posts[index].station_mm, rule.end_most_mm
    assert rule.spacing_most_mm is not None
    share_mm = rule.spacing_most_mm
    for other in (*posts[max(index - 1, 0) : index], *posts[index + 1 : index + 2]):
        left_mm = rule.spacing_most_mm - abs(other.station_mm - at_mm) - other.u95_mm
        share_mm = min(share_mm, left_mm / (2.0 if other.planned else 1.0))
    low, high = max(at_mm - share_mm, low_mm + rule.clear_mm), min(at_mm + share_mm, high_mm - rule.clear_mm)
    if most_mm is not None and at_mm <= low_mm + most_mm:
        high = min(high, low_mm + most_mm)
    if most_mm is not None and at_mm >= high_mm - most_mm:
        low = max(low, high_mm - most_mm)
    return AddedAnchor(min(low, at_mm), max(high, at_mm), posts[index].planned or "spacing")
