"""Rough places of bolts: what one photo proposes, held against all photos that show the same stretch, and climbed."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from math import dist

import numpy as np
from numpy.typing import NDArray

from sillwright.camera import Array, Pose
from sillwright.candidates import Dropped
from sillwright.measure.search import BoltShape, Search
from sillwright.measure.standing import LEAST_APART_MM
from sillwright.measure.work import shows
from sillwright.see.bolts import Proposal
from sillwright.see.vertical import VerticalPhoto
from sillwright.see.wall import WallArea
from sillwright.solve.climb import Glimpse, at_heights, climb, end_is_hidden, weigh

APART_MM = 28.0  # two sill bolts cannot stand nearer than a washer's width
HEIGHTS_MM = np.arange(30.0, 141.0, 5.0)
USUAL_HEIGHT_MM = np.array([70.0])
WORTH_A_LOOK = 3.0  # low, since where a nut hides the sides a foot is found only once the end is held
WORTH_A_VIEW = 2.7  # once climbed, of each photo: bolts with nuts had 3.6 and more, bare ones 7
MOST_CLIMBS_A_PHOTO = 7
CLIMBS_TOGETHER = 12
STARTS_A_BOLT = 3
STARTS_LAID = 4
END_HINT = 0.05
PAIRED_ENDS, PAIRED_APART_MM = 2, 4.0
FEET_A_BOLT = 3
LOWEST_TIP_MM, HIGHEST_TIP_MM = 25.0, 150.0
MEET_WITHIN_MM = 3.0
CLEAREST_ENDS = 48  # of a photo; on rendered and drawn photos bolts' ends were among the first ten
LEAN_UNDER = 0.2  # foot off plumb under a tip, over its height, while feet are tried
FEET_UNDER_MM = np.stack(np.meshgrid(*(np.arange(-30.0, 31.0, 6.0),) * 2), axis=-1).reshape(-1, 2)
ONE_TIP_MM = 5.0
PARTNERS = 4  # photos whose rays are crossed with one's own
LARGEST_LEAN = 0.4  # tip over height, while heights are tried


@dataclass(frozen=True)
class Start:
    """A rough place of a bolt (7,) to climb from, and its evidence in all photos that show it."""

    place: Array
    evidence: float


Ranked = tuple[Start, tuple[Glimpse, ...]]


def rough_places(
    search: Search, photos: Sequence[VerticalPhoto | None], shape: BoltShape
) -> tuple[list[list[Start]], list[Dropped]]:
    """Rough places, those of one bolt together, best first: proposals held against all photos, then climbed.

    Beside them the places that were let go here. ``photos`` are those of ``search`` looked straight down on.
    """
    glimpses = [
        Glimpse(i, photo.camera, photo.pose, photo.field) for i, photo in enumerate(photos) if photo is not None
    ]
    proposed = {glimpse.photo: search.searches[glimpse.photo].proposals for glimpse in glimpses}
    waiting: list[Ranked] = []
    for glimpse in glimpses:
        waiting.extend(_held_against_all(glimpse, proposed[glimpse.photo].shapes, glimpses, search, shape))
    to_ends = {g.photo: _rays(g, proposed[g.photo].ends_mm) for g in glimpses}
    waiting.extend(_under_met_ends(glimpses, to_ends, search, shape))
    waiting.sort(key=lambda item: -item[0].evidence)
    dropped = [Dropped(start.place, "outline") for start, _ in waiting if start.evidence < WORTH_A_LOOK]
    waiting = [item for item in waiting if item[0].evidence >= WORTH_A_LOOK]
    groups: list[list[Start]] = []
    feet: list[list[Array]] = []
    climbs = MOST_CLIMBS_A_PHOTO * len(glimpses)
    while waiting and climbs > 0:
        batch, waiting = _next_climbs(waiting, groups, feet, min(climbs, CLIMBS_TOGETHER))
        climbs -= len(batch)
        for start, place, views in _climbed_roughly(batch, shape):
            if place.evidence >= max(WORTH_A_LOOK, WORTH_A_VIEW * views):
                _add_start(groups, feet, start, place)
            else:
                dropped.append(Dropped(place.place, "outline"))
    dropped += [Dropped(start.place, "not-tried") for start, _ in waiting]
    for group, found in zip(groups, _by_paired_ends(feet, glimpses, to_ends, search, shape), strict=True):
        group.extend(found)
        group.sort(key=lambda one: -one.evidence)
    hinted = [_end_hinted(group, glimpses, search, shape) for group in groups]
    dropped += [Dropped(group[0].place, "no-end") for group, ends in zip(groups, hinted, strict=True) if not ends]
    return [group for group, ends in zip(groups, hinted, strict=True) if ends], dropped


def _next_climbs(
    waiting: Sequence[Ranked], groups: Sequence[list[Start]], feet: Sequence[list[Array]], most: int
) -> tuple[list[Ranked], list[Ranked]]:
    """The next few places worth climbing from, at most as many as a bolt still needs, and those left for later."""
    batch: list[Ranked] = []
    later: list[Ranked] = []
    for item in waiting:
        place = item[0].place
        home = _group_near(groups, place)
        have = len(groups[home]) if home is not None else 0
        if home is not None and have >= STARTS_A_BOLT:
            _add_foot(feet[home], place)
            continue
        near = sum(dist(other.place[:2], place[:2]) < APART_MM for other, _ in batch)
        if len(batch) < most and have + near < STARTS_A_BOLT:
            batch.append(item)
        else:
            later.append(item)
    return batch, later


def _climbed_roughly(batch: Sequence[Ranked], shape: BoltShape) -> list[tuple[Start, Start, int]]:
    """Each place of a batch, where its climb came to rest, and how many photos show it; same photos climb together."""
    by_views: dict[tuple[int, ...], list[Ranked]] = {}
    for item in batch:
        by_views.setdefault(tuple(view.photo for view in item[1]), []).append(item)
    climbed: list[tuple[Start, Start, int]] = []
    for together in by_views.values():
        views, starts = together[0][1], np.array([start.place for start, _ in together])
        places, evidence = climb(views, starts, shape.radius_mm, shape.chamfer_mm, height_known=len(views) < 2)
        climbed.extend(
            (start, Start(place, float(worth)), len(views))
            for (start, _), place, worth in zip(together, places, evidence, strict=True)
        )
    return sorted(climbed, key=lambda pair: -pair[1].evidence)


def _add_start(groups: list[list[Start]], feet: list[list[Array]], start: Start, place: Start) -> None:
    home = _group_near(groups, place.place)
    if home is None:
        groups.append([place])
        feet.append([])
        home = len(groups) - 1
    elif all(dist(place.place[:5], other.place[:5]) > 2.0 for other in groups[home]):
        groups[home].append(place)
    _add_foot(feet[home], place.place)
    _add_foot(feet[home], start.place)


def _showing(glimpses: Sequence[Glimpse], search: Search, place: Array) -> list[Glimpse]:
    """The photos that have all of a bolt at a place (7,) well inside."""
    return [g for g in glimpses if _shows(search, g, ends_of(place)[None])[0]]


def _shows(search: Search, glimpse: Glimpse, ends_mm: Array) -> NDArray[np.bool_]:
    view = search.tasks[glimpse.photo].view
    return shows(view.camera, view.pose, ends_mm)


def _rays(glimpse: Glimpse, points_mm: Array) -> Array:
    """Unit directions from a photo's camera to points (N, 3)."""
    way = points_mm - glimpse.pose.centre_mm
    return np.asarray(way / np.linalg.norm(way, axis=1, keepdims=True))


def _end_hinted(group: Sequence[Start], glimpses: Sequence[Glimpse], search: Search, shape: BoltShape) -> bool:
    """Whether the end of a bolt may show, at the best few places of a group, in as many photos as it must."""
    for start in group[: STARTS_LAID + 2]:
        views = _showing(glimpses, search, start.place)
        _, parts = weigh(views, start.place[None], shape.chamfer_mm)
        if views and end_shown(parts) > END_HINT:
            return True
    return False


def _add_foot(feet: list[Array], place: Array) -> None:
    if all(dist(place[:2], other[:2]) > 3.0 for other in feet):
        feet.append(place)


def _group_near(groups: Sequence[list[Start]], place: Array) -> int | None:
    for k, group in enumerate(groups):
        if dist(group[0].place[:2], place[:2]) < APART_MM:
            return k
    return None


def _by_paired_ends(
    feet: Sequence[Sequence[Array]],
    glimpses: Sequence[Glimpse],
    to_ends: Mapping[int, Array],
    search: Search,
    shape: BoltShape,
) -> list[list[Start]]:
    """For each bolt, given its feet, more places for its tip, climbed; those that the same photos show together."""
    by_views: dict[tuple[int, ...], list[tuple[int, Array]]] = {}
    for bolt, places in enumerate(feet):
        for foot in places[:FEET_A_BOLT]:
            views = _showing(glimpses, search, foot)
            tried = [(bolt, row) for row in _paired_ends(foot, views, to_ends, shape)]
            by_views.setdefault(tuple(view.photo for view in views), []).extend(tried)
    found: list[list[Start]] = [[] for _ in feet]
    for photos, together in by_views.items():
        if together:
            views = [glimpse for glimpse in glimpses if glimpse.photo in photos]
            starts = np.array([row for _, row in together])
            climbed, evidence = climb(views, starts, shape.radius_mm, shape.chamfer_mm, height_known=False)
            for (bolt, _), place, worth in zip(together, climbed, evidence, strict=True):
                found[bolt].append(Start(place, float(worth)))
    return found


def _paired_ends(foot: Array, views: Sequence[Glimpse], to_ends: Mapping[int, Array], shape: BoltShape) -> list[Array]:
    """Places for the tip of a bolt whose foot is known: where rays to round ends in two photos that show it meet."""
    near = [_passing_over(foot, view.pose, to_ends[view.photo]) for view in views]
    met = [
        _meetings(one.pose, other.pose, near[k], near[m])
        for k, one in enumerate(views)
        for m, other in enumerate(views[k + 1 :], start=k + 1)
    ]
    tips = np.concatenate(met) if met else np.zeros((0, 3))
    off = np.hypot(tips[:, 0] - foot[0], tips[:, 1] - foot[1])
    tips = tips[(tips[:, 2] > LOWEST_TIP_MM) & (tips[:, 2] < HIGHEST_TIP_MM) & (off < LARGEST_LEAN * tips[:, 2])]
    if not len(tips):
        return []
    rows = np.repeat(foot[None], len(tips), axis=0)
    rows[:, 2:5] = tips
    score, _ = weigh(views, rows, shape.chamfer_mm)
    return [rows[k] for k in best_apart(tips, score, PAIRED_APART_MM, PAIRED_ENDS)]


def _passing_over(foot: Array, pose: Pose, to_ends: Array) -> Array:
    """Those of a photo's rays to ends that pass near enough to a foot to be to its bolt's end."""
    centre = pose.centre_mm
    apart = np.full(len(to_ends), np.inf)
    for height_mm in (LOWEST_TIP_MM, 0.5 * (LOWEST_TIP_MM + HIGHEST_TIP_MM), HIGHEST_TIP_MM):
        at = centre + ((height_mm - centre[2]) / to_ends[:, 2:]) * to_ends
        apart = np.minimum(apart, np.hypot(at[:, 0] - foot[0], at[:, 1] - foot[1]))
    return to_ends[apart < LARGEST_LEAN * HIGHEST_TIP_MM + MEET_WITHIN_MM]


def _meetings(one: Pose, other: Pose, a: Array, b: Array) -> Array:
    """Points (M, 3) where a ray to an end in one photo passes within 3 mm of a ray to an end in another."""
    between = other.centre_mm - one.centre_mm
    cosine = a @ b.T
    spread = np.maximum(1.0 - cosine**2, 1e-9)
    ahead, ahead_other = a @ between, b @ between
    s = (ahead[:, None] - cosine * ahead_other[None, :]) / spread
    t = (cosine * ahead[:, None] - ahead_other[None, :]) / spread
    near = one.centre_mm + s[:, :, None] * a[:, None, :]
    near_other = other.centre_mm + t[:, :, None] * b[None, :, :]
    meet = np.linalg.norm(near - near_other, axis=2) < MEET_WITHIN_MM
    return (0.5 * (near + near_other))[meet]


def _held_against_all(
    own: Glimpse, proposals: Sequence[Proposal], glimpses: Sequence[Glimpse], search: Search, shape: BoltShape
) -> list[Ranked]:
    """The heights of the tip at which each proposal of one photo has most evidence in all photos that show it."""
    by_views: ByViews = {}
    if not proposals:
        return []
    bases = np.array([np.append(proposal.base_mm, 0.0) for proposal in proposals])
    directions = _rays(own, np.array([proposal.end_mm for proposal in proposals]))
    usual = np.concatenate([at_heights(own.pose, direction, USUAL_HEIGHT_MM) for direction in directions])
    ends = np.stack([bases, usual], axis=1)
    every = np.ones(len(proposals), dtype=bool)
    shown = np.array([every if g is own else _shows(search, g, ends) for g in glimpses]).T
    for proposal, direction, mine in zip(proposals, directions, shown, strict=True):
        tips = at_heights(own.pose, direction, HEIGHTS_MM)
        views = tuple(np.flatnonzero(mine).tolist())
        lean = np.hypot(tips[:, 0] - proposal.base_mm[0], tips[:, 1] - proposal.base_mm[1]) / tips[:, 2]
        if len(views) < 2:
            # One photo cannot tell the height: every height along the ray is the same picture. The plumbest will do.
            plumbest = int(np.argmin(lean))
            tips, lean = tips[plumbest : plumbest + 1], lean[plumbest : plumbest + 1]
        rows = np.zeros((len(tips), 7))
        rows[:, :2], rows[:, 2:5], rows[:, 5] = proposal.base_mm, tips, shape.radius_mm
        by_views.setdefault(views, []).append((rows, lean))
    found: list[Ranked] = []
    for showing, places, leans, score in _weighed(by_views, glimpses, shape):
        worth = np.where(leans < LARGEST_LEAN, score, -np.inf)
        found.extend((start, showing) for start in _best_heights(places, worth))
    return found


ByViews = dict[tuple[int, ...], list[tuple[Array, Array]]]
"""Places (K, 7) and leans (K,) of one bolt after another, by the photos (numbers among the glimpses) that show it."""


def _weighed(
    by_views: ByViews, glimpses: Sequence[Glimpse], shape: BoltShape
) -> Iterator[tuple[tuple[Glimpse, ...], Array, Array, Array]]:
    """Of each bolt the photos that show it, its places and leans, and the evidence for each place."""
    for views, together in by_views.items():
        showing = tuple(glimpses[k] for k in views)
        score, _ = weigh(showing, np.concatenate([places for places, _ in together]), shape.chamfer_mm)
        split = np.split(score, np.cumsum([len(places) for places, _ in together])[:-1])
        for (places, leans), here in zip(together, split, strict=True):
            yield showing, places, leans, here


def _under_met_ends(
    glimpses: Sequence[Glimpse], to_ends: Mapping[int, Array], search: Search, shape: BoltShape
) -> list[Ranked]:
    """Places for bolts under points where rays to the clearest ends of two photos meet, each with its best foot.

    A bolt's end shows more clearly than its foot: of ends the bolts' are among the first in every photo, whatever foot
    the photo seems to show with them.
    """
    met = [
        _on_the_wall(_meetings(one.pose, other.pose, *(to_ends[g.photo][:CLEAREST_ENDS] for g in (one, other))), area)
        for one, other, area in _neighbours(glimpses, search)
    ]
    tips = _told_apart(np.concatenate(met)) if met else np.zeros((0, 3))
    ends = np.stack([tips * [1.0, 1.0, 0.0], tips], axis=1)
    shown = np.array([_shows(search, g, ends) for g in glimpses]).T
    by_views: ByViews = {}
    for tip, mine in zip(tips, shown, strict=True):
        views = tuple(np.flatnonzero(mine).tolist())
        if len(views) > 1:
            off = FEET_UNDER_MM[np.linalg.norm(FEET_UNDER_MM, axis=1) < LEAN_UNDER * tip[2]]
            rows = np.zeros((len(off), 7))
            rows[:, :2], rows[:, 2:5], rows[:, 5] = tip[:2] + off, tip, shape.radius_mm
            by_views.setdefault(views, []).append((rows, np.linalg.norm(off, axis=1) / tip[2]))
    found: list[Ranked] = []
    for showing, places, _, score in _weighed(by_views, glimpses, shape):
        best = int(np.argmax(score))
        found.append((Start(places[best], float(score[best])), showing))
    best_tips = np.array([start.place[2:5] for start, _ in found]).reshape(-1, 3)
    evidence = np.array([start.evidence for start, _ in found])
    return [found[k] for k in best_apart(best_tips, evidence, ONE_TIP_MM)]


def _neighbours(glimpses: Sequence[Glimpse], search: Search) -> Iterator[tuple[Glimpse, Glimpse, WallArea]]:
    """Each photo with the few nearest that were not taken from its own place and show some of the same wall."""
    centres = np.array([g.pose.centre_mm for g in glimpses]).reshape(-1, 3)
    done: set[tuple[int, int]] = set()
    for k, one in enumerate(glimpses):
        apart = np.linalg.norm(centres - centres[k], axis=1)
        partners = 0
        for m in np.argsort(apart, kind="stable"):
            area = _shared(search.tasks[one.photo].area, search.tasks[glimpses[m].photo].area)
            if apart[m] < LEAST_APART_MM or area is None:
                continue
            pair = (min(k, int(m)), max(k, int(m)))
            if pair not in done:
                done.add(pair)
                yield glimpses[pair[0]], glimpses[pair[1]], area
            partners += 1
            if partners == PARTNERS:
                break


def _told_apart(tips: Array) -> Array:
    """Points (N, 3), one of those that hardly differ: several pairs of photos meet in one end."""
    _, first = np.unique(np.round(tips / (0.5 * ONE_TIP_MM)), axis=0, return_index=True)
    return np.asarray(tips[np.sort(first)])


def _shared(one: WallArea, other: WallArea) -> WallArea | None:
    """The part of the wall that two photos have in common; None where there is none."""
    x_from, x_to = max(one.x_from_mm, other.x_from_mm), min(one.x_to_mm, other.x_to_mm)
    y_from, y_to = max(one.y_from_mm, other.y_from_mm), min(one.y_to_mm, other.y_to_mm)
    return WallArea(x_from, x_to, y_from, y_to) if x_to > x_from and y_to > y_from else None


def _on_the_wall(tips: Array, area: WallArea) -> Array:
    """Those of points (N, 3) that may be tips of bolts in an area."""
    high = (tips[:, 2] > LOWEST_TIP_MM) & (tips[:, 2] < HIGHEST_TIP_MM)
    aside = LEAN_UNDER * tips[:, 2]
    along = (tips[:, 0] > area.x_from_mm - aside) & (tips[:, 0] < area.x_to_mm + aside)
    across = (tips[:, 1] > area.y_from_mm - aside) & (tips[:, 1] < area.y_to_mm + aside)
    return np.asarray(tips[high & along & across])


def best_apart(points_mm: Array, worth: Array, apart_mm: float, most: int | None = None) -> list[int]:
    """The best of points (N, 3), by their numbers, none of them nearer than ``apart_mm`` to a better one."""
    kept: list[int] = []
    for k in np.argsort(-worth, kind="stable").tolist():
        if len(kept) == most:
            break
        if all(dist(points_mm[k], points_mm[other]) > apart_mm for other in kept):
            kept.append(k)
    return kept


def _best_heights(rows: Array, score: Array) -> list[Start]:
    """The best height of a tip, and the best of those far from it."""
    chosen = [int(np.argmax(score))]
    apart = np.abs(np.arange(len(score)) - chosen[0]) >= 4
    if apart.any():
        chosen.append(int(np.argmax(np.where(apart, score, -np.inf))))
    return [Start(rows[k], float(score[k])) for k in chosen if np.isfinite(score[k])]


def ends_of(place: Array) -> Array:
    """Base and tip of a place (7,), rows of (2, 3)."""
    return np.vstack([np.append(place[:2], 0.0), place[2:5]])


def end_shown(parts: list[list[Array]]) -> float:
    """How clearly the end of a bolt shows in as many views as it must, nats a sample; -inf where it shows in none.

    In two, or in one where the others have it before a card or a line, which says nothing of it.
    """
    both = [(float(part[2][0]), float(part[3][0])) for part in parts]
    ends = [max(rim, face) for rim, face in both if not end_is_hidden(rim, face)]
    return sorted(ends, reverse=True)[min(len(ends), 2) - 1] if ends else -np.inf
