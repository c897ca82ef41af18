"""Rough places of bolts: what one photo proposes, held against all photos that show the same stretch, and climbed."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from sillwright.camera import Array, Camera, Pose, project, rays
from sillwright.candidates import Dropped
from sillwright.measure.search import BoltShape, Search
from sillwright.see.bolts import Proposal
from sillwright.see.edgefield import EdgeField
from sillwright.solve.axis import Glimpse, at_heights, climb, end_is_hidden, weigh

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
PAIRED_ENDS = 2
FEET_A_BOLT = 3
LOWEST_TIP_MM, HIGHEST_TIP_MM = 25.0, 150.0
MEET_WITHIN_MM = 3.0
LARGEST_LEAN = 0.4  # tip over height, while heights are tried


@dataclass(frozen=True)
class Start:
    """A rough place of a bolt (7,) to climb from, and its evidence in all photos that show it."""

    place: Array
    evidence: float


Ranked = tuple[Start, tuple[Glimpse, ...]]


def rough_places(
    search: Search, fields: Sequence[EdgeField], shape: BoltShape
) -> tuple[list[list[Start]], list[Dropped]]:
    """Rough places, those of one bolt together, best first: proposals held against all photos, then climbed.

    Beside them the places that were let go here. ``fields`` are of the photos of ``search``.
    """
    glimpses = [
        Glimpse(i, task.view.camera, task.view.pose, field)
        for i, (task, field) in enumerate(zip(search.tasks, fields, strict=True))
        if not task.is_coarse
    ]
    proposed = {glimpse.photo: search.searches[glimpse.photo].proposals for glimpse in glimpses}
    waiting: list[Ranked] = []
    for glimpse in glimpses:
        waiting.extend(_held_against_all(glimpse, proposed[glimpse.photo].shapes, glimpses, shape))
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
    to_ends = {g.photo: rays(g.camera, g.pose, proposed[g.photo].ends_px) for g in glimpses}
    for group, places in zip(groups, feet, strict=True):
        for foot in places[:FEET_A_BOLT]:
            group.extend(_from_paired_ends(foot, glimpses, to_ends, shape))
        group.sort(key=lambda one: -one.evidence)
    hinted = [_end_hinted(group, glimpses, shape) for group in groups]
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
        near = sum(np.hypot(*(other.place[:2] - place[:2])) < APART_MM for other, _ in batch)
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
    elif all(np.linalg.norm(place.place[:5] - other.place[:5]) > 2.0 for other in groups[home]):
        groups[home].append(place)
    _add_foot(feet[home], place.place)
    _add_foot(feet[home], start.place)


def _end_hinted(group: Sequence[Start], glimpses: Sequence[Glimpse], shape: BoltShape) -> bool:
    """Whether the end of a bolt may show, at the best few places of a group, in as many photos as it must."""
    for start in group[: STARTS_LAID + 2]:
        views = [g for g in glimpses if shows(g.camera, g.pose, ends_of(start.place))]
        _, parts = weigh(views, start.place[None], shape.chamfer_mm)
        if views and ends_seen(parts, END_HINT):
            return True
    return False


def _add_foot(feet: list[Array], place: Array) -> None:
    if all(np.hypot(*(place[:2] - other[:2])) > 3.0 for other in feet):
        feet.append(place)


def _group_near(groups: Sequence[list[Start]], place: Array) -> int | None:
    for k, group in enumerate(groups):
        if np.hypot(*(group[0].place[:2] - place[:2])) < APART_MM:
            return k
    return None


def _from_paired_ends(
    foot: Array, glimpses: Sequence[Glimpse], to_ends: Mapping[int, Array], shape: BoltShape
) -> list[Start]:
    """Places for the tip of a bolt whose foot is known: where rays to round ends in two photos meet."""
    views = [g for g in glimpses if shows(g.camera, g.pose, ends_of(foot))]
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
    chosen: list[Start] = []
    for k in np.argsort(-score, kind="stable"):
        if len(chosen) >= PAIRED_ENDS:
            break
        if all(np.linalg.norm(rows[k, 2:5] - other.place[2:5]) > 4.0 for other in chosen):
            chosen.append(Start(rows[k], float(score[k])))
    rough = np.array([one.place for one in chosen])
    places, evidence = climb(views, rough, shape.radius_mm, shape.chamfer_mm, height_known=False)
    return [Start(place, float(worth)) for place, worth in zip(places, evidence, strict=True)]


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
    own: Glimpse, proposals: Sequence[Proposal], glimpses: Sequence[Glimpse], shape: BoltShape
) -> list[Ranked]:
    """The heights of the tip at which each proposal of one photo has most evidence in all photos that show it."""
    by_views: dict[tuple[int, ...], list[tuple[Array, Array]]] = {}
    if not proposals:
        return []
    directions = rays(own.camera, own.pose, np.array([proposal.tip_px for proposal in proposals]))
    for proposal, direction in zip(proposals, directions, strict=True):
        tips = at_heights(own.pose, direction, HEIGHTS_MM)
        ends = np.vstack([np.append(proposal.base_mm, 0.0), at_heights(own.pose, direction, USUAL_HEIGHT_MM)])
        views = tuple(k for k, g in enumerate(glimpses) if g is own or shows(g.camera, g.pose, ends))
        lean = np.hypot(tips[:, 0] - proposal.base_mm[0], tips[:, 1] - proposal.base_mm[1]) / tips[:, 2]
        if len(views) < 2:
            # One photo cannot tell the height: every height along the ray is the same picture. The plumbest will do.
            plumbest = int(np.argmin(lean))
            tips, lean = tips[plumbest : plumbest + 1], lean[plumbest : plumbest + 1]
        rows = np.zeros((len(tips), 7))
        rows[:, :2], rows[:, 2:5], rows[:, 5] = proposal.base_mm, tips, shape.radius_mm
        by_views.setdefault(views, []).append((rows, lean))
    found: list[Ranked] = []
    for views, together in by_views.items():
        shown = tuple(glimpses[k] for k in views)
        score, _ = weigh(shown, np.concatenate([rows for rows, _ in together]), shape.chamfer_mm)
        split = np.split(score, np.cumsum([len(rows) for rows, _ in together])[:-1])
        for (places, leans), here in zip(together, split, strict=True):
            worth = np.where(leans < LARGEST_LEAN, here, -np.inf)
            found.extend((start, shown) for start in _best_heights(places, worth))
    return found


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


def shows(camera: Camera, pose: Pose, ends_mm: Array) -> bool:
    """Whether a photo has all of a bolt, given its two ends (2, 3), well inside the picture."""
    px = project(camera, pose, ends_mm)
    size = np.array([camera.width_px, camera.height_px])
    return bool(np.isfinite(px).all() and (px > 12).all() and (px < size - 12).all())


def ends_seen(parts: list[list[Array]], least: float) -> bool:
    """Whether the end of a bolt shows in as many views as it must: two, or one where the others have it before a card
    or a line, which says nothing of it."""
    both = [(float(part[2][0]), float(part[3][0])) for part in parts]
    ends = [max(rim, face) for rim, face in both if not end_is_hidden(rim, face)]
    return bool(ends) and sorted(ends, reverse=True)[min(len(ends), 2) - 1] > least
