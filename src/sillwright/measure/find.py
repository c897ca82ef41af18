"""The bolts of one run: proposals of all photos held against each other, then each bolt laid over all its photos."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from scipy.ndimage import maximum_filter

from sillwright.camera import Array, meet_plane, project, rays
from sillwright.measure.block import Block
from sillwright.measure.line import view_tasks
from sillwright.measure.work import (
    CELLS_A_RADIUS,
    BoltSearch,
    BoltTask,
    Crew,
    cut_patches,
    ground_seen,
    look_for_bolts,
)
from sillwright.outline import DENSE
from sillwright.see.bolts import Proposal, WallArea
from sillwright.see.edgefield import EdgeField, edge_field
from sillwright.see.edges import WallEdge
from sillwright.see.patch import Patch
from sillwright.solve.axis import (
    STAND_IN_HEIGHT_MM,
    AxisFit,
    BoltView,
    Glimpse,
    PartEvidence,
    aslant_of,
    climb,
    fit_axis,
    part_evidence,
    tip_on_ray,
    weigh,
)

BEYOND_CARDS_MM = 1600.0  # as far past the first and last card as a photo of them shows
BEYOND_PLATE_MM = 25.0
APART_MM = 28.0  # two sill bolts cannot stand nearer than a washer's width
HEIGHTS_MM = np.arange(30.0, 141.0, 5.0)
WORTH_A_CLIMB = 5.0
MOST_CLIMBS_A_PHOTO = 7
CLIMBS_TOGETHER = 12
STARTS_A_BOLT = 3
STARTS_LAID = 4
FITS_A_BOLT = 3
WORTH_A_FIT = 8.0  # behind the best: more than the scatter of the fits can make up for
END_HINT, END_SURE = 0.05, 0.25
NO_END_COST = 10.0
PAIRED_ENDS = 2
FEET_A_BOLT = 3
FOOT_REACH_MM = 20.0
FOOT_STEP_MM = 1.25
OTHER_FEET = 5
LOWEST_TIP_MM, HIGHEST_TIP_MM = 25.0, 150.0
LARGEST_LEAN = 0.4  # tip over height, while heights are tried
ENDS_WORTH = 3.0
RMS_COST = 4.0  # evidence a pixel of scatter: edges of a nut or a shadow never fall in line as a bolt's own do
RIVAL_MARGIN = 2.0
STATED_STICKUP_SIGMA_MM = 3.0  # what a crew states is a taped length to about 1/8 in; the record says it rests on it


@dataclass(frozen=True)
class FoundBolt:
    """A shape that was laid over its photos.

    fit : its place; views : the photos (indices) that show it; evidence : of each view; score : evidence less
    the cost of scatter; rivals : how many other places
    fit nearly as well; stated : a stated stick-up was used
    """

    fit: AxisFit
    views: tuple[BoltView, ...]
    evidence: tuple[PartEvidence, ...]
    score: float
    rivals: int
    stated: bool


@dataclass(frozen=True)
class Bounds:
    """Where along the run, and how far to either side of the line, bolts are looked for (wall frame)."""

    x_from_mm: float
    x_to_mm: float
    y_from_mm: float
    y_to_mm: float


@dataclass(frozen=True)
class Search:
    """All that was seen of standing things on a run."""

    tasks: tuple[BoltTask, ...]
    searches: tuple[BoltSearch, ...]

    @property
    def edges(self) -> tuple[tuple[WallEdge | None, WallEdge | None], ...]:
        """Wall edges by photo."""
        return tuple(search.edges for search in self.searches)


@dataclass(frozen=True)
class BoltShape:
    """What is known of the bolts: thread radius and chamfer as they show at the print scale used, stick-up stated."""

    radius_mm: float
    chamfer_mm: float
    stickup_mm: float | None


def bounds_of(block: Block, plate_width_mm: float, within_mm: tuple[float, float]) -> Bounds:
    """From well before the first card to well past the last, a plate's width to either side, between two stations."""
    cards = zip(block.solution.state.cards, block.numbers, strict=True)
    x = [float(card.origin_mm[0]) for card, number in cards if number in block.own]
    wide = plate_width_mm + BEYOND_PLATE_MM
    low, high = max(min(x) - BEYOND_CARDS_MM, within_mm[0]), min(max(x) + BEYOND_CARDS_MM, within_mm[1])
    return Bounds(low, high, -wide, wide)


def search_photos(block: Block, bounds: Bounds, face_height_mm: float, radius_mm: float, crew: Crew) -> Search:
    """Look for bolts in every photo of a block, each in the part of the wall it shows."""
    tasks = []
    for view in view_tasks(block):
        ground = ground_seen(view.camera, view.pose)
        low = max(bounds.x_from_mm, float(ground[:, 0].min())) if len(ground) else 0.0
        high = min(bounds.x_to_mm, float(ground[:, 0].max())) if len(ground) else 0.0
        area = WallArea(low, max(high, low), bounds.y_from_mm, bounds.y_to_mm)
        x = np.linspace(bounds.x_from_mm - 500.0, bounds.x_to_mm + 500.0, 80)
        line = np.column_stack([x, np.zeros(len(x)), np.zeros(len(x))])
        tasks.append(BoltTask(view, area, (line,), face_height_mm, radius_mm))
    return Search(tuple(tasks), tuple(crew.share_out(look_for_bolts, tasks)))


def find_bolts(search: Search, shape: BoltShape, crew: Crew) -> list[FoundBolt]:
    """Every shape that was worth laying over its photos, best first; whether it is a bolt is judged elsewhere."""
    pairs = list(zip(search.tasks, search.searches, strict=True))
    groups = _starts([_glimpse(i, task, found) for i, (task, found) in enumerate(pairs)], search, shape)
    bases = tuple((float(group[0].place[0]), float(group[0].place[1])) for group in groups)
    patches = crew.share_out(cut_patches, [(task, found.edges, bases) for task, found in pairs])
    found = []
    for k, group in enumerate(groups):
        views = [
            view
            for i, task in enumerate(search.tasks)
            if (view := _view(i, task, patches[i][k], group[0].place, shape.radius_mm)) is not None
        ]
        bolt = lay_over(views, _apart_starts(group), shape) if views else None
        if bolt is not None:
            found.append(bolt)
    return _apart(found)


def _apart_starts(group: Sequence[Start]) -> list[Array]:
    """The best few places of a group that are not the same place."""
    chosen: list[Array] = []
    for start in group:
        if len(chosen) < STARTS_LAID and all(np.linalg.norm(start.place[:5] - other[:5]) > 3.0 for other in chosen):
            chosen.append(start.place)
    return chosen


def _glimpse(photo: int, task: BoltTask, found: BoltSearch) -> Glimpse:
    field = found.field
    wide = EdgeField(field.cells.astype(np.float32), field.origin_px, field.scale)
    return Glimpse(photo, task.view.camera, task.view.pose, wide)


@dataclass(frozen=True)
class Start:
    """A rough place of a bolt (7,) to climb from, and its evidence in all photos that show it."""

    place: Array
    evidence: float


Ranked = tuple[Start, tuple[Glimpse, ...]]


def _starts(glimpses: Sequence[Glimpse], search: Search, shape: BoltShape) -> list[list[Start]]:
    """Rough places, those of one bolt together, best first: proposals held against all photos, then climbed."""
    waiting: list[Ranked] = []
    for glimpse, found in zip(glimpses, search.searches, strict=True):
        waiting.extend(_held_against_all(glimpse, found.proposals.shapes, glimpses, shape))
    waiting = [item for item in waiting if item[0].evidence >= WORTH_A_CLIMB - 2.0]
    waiting.sort(key=lambda item: -item[0].evidence)
    groups: list[list[Start]] = []
    feet: list[list[Array]] = []
    climbs = MOST_CLIMBS_A_PHOTO * len(glimpses)
    while waiting and climbs > 0:
        batch, waiting = _next_climbs(waiting, groups, feet, min(climbs, CLIMBS_TOGETHER))
        climbs -= len(batch)
        for start, place in _climbed_roughly(batch, shape):
            if place.evidence >= WORTH_A_CLIMB:
                _add_start(groups, feet, start, place)
    for group, places in zip(groups, feet, strict=True):
        for foot in places[:FEET_A_BOLT]:
            group.extend(_from_paired_ends(foot, glimpses, search, shape))
        group.sort(key=lambda one: -one.evidence)
    return [group for group in groups if _end_hinted(group, glimpses, shape)]


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


def _climbed_roughly(batch: Sequence[Ranked], shape: BoltShape) -> list[tuple[Start, Start]]:
    """Each place of a batch and where its climb came to rest, those seen by the same photos climbed together."""
    by_views: dict[tuple[int, ...], list[Ranked]] = {}
    for item in batch:
        by_views.setdefault(tuple(view.photo for view in item[1]), []).append(item)
    climbed: list[tuple[Start, Start]] = []
    for together in by_views.values():
        views, starts = together[0][1], np.array([start.place for start, _ in together])
        places, evidence = climb(views, starts, shape.radius_mm, shape.chamfer_mm, height_known=len(views) < 2)
        climbed.extend(
            (start, Start(place, float(worth)))
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
        ends = np.vstack([np.append(start.place[:2], 0.0), start.place[2:5]])
        views = [g for g in glimpses if _shows(g, ends)]
        _, parts = weigh(views, start.place[None], shape.chamfer_mm)
        if views and _ends_seen(parts, len(views), END_HINT):
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


def _from_paired_ends(foot: Array, glimpses: Sequence[Glimpse], search: Search, shape: BoltShape) -> list[Start]:
    """Places for the tip of a bolt whose foot is known: where rays to round ends in two photos meet."""
    ends = np.vstack([np.append(foot[:2], 0.0), foot[2:5]])
    views = [g for g in glimpses if _shows(g, ends)]
    ends_px = [found.proposals.ends_px for found in search.searches]
    met = [
        _meetings(one, other, ends_px[one.photo], ends_px[other.photo])
        for k, one in enumerate(views)
        for other in views[k + 1 :]
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


def _meetings(one: Glimpse, other: Glimpse, ends_px: Array, others_px: Array) -> Array:
    """Points (M, 3) where a ray to an end in one photo passes within 3 mm of a ray to an end in another."""
    a, b = rays(one.camera, one.pose, ends_px), rays(other.camera, other.pose, others_px)
    between = other.pose.centre_mm - one.pose.centre_mm
    cosine = a @ b.T
    spread = np.maximum(1.0 - cosine**2, 1e-9)
    ahead, ahead_other = a @ between, b @ between
    s = (ahead[:, None] - cosine * ahead_other[None, :]) / spread
    t = (cosine * ahead[:, None] - ahead_other[None, :]) / spread
    near = one.pose.centre_mm + s[:, :, None] * a[:, None, :]
    near_other = other.pose.centre_mm + t[:, :, None] * b[None, :, :]
    meet = np.linalg.norm(near - near_other, axis=2) < 3.0
    return (0.5 * (near + near_other))[meet]


def _held_against_all(
    own: Glimpse, proposals: Sequence[Proposal], glimpses: Sequence[Glimpse], shape: BoltShape
) -> list[Ranked]:
    """The heights of the tip at which each proposal of one photo has most evidence in all photos that show it."""
    by_views: dict[tuple[int, ...], list[tuple[Array, Array]]] = {}
    for proposal in proposals:
        tips = tip_on_ray(own, proposal.tip_px, HEIGHTS_MM)
        ends = np.vstack([np.append(proposal.base_mm, 0.0), tip_on_ray(own, proposal.tip_px, np.array([70.0]))[0]])
        views = tuple(k for k, g in enumerate(glimpses) if g is own or _shows(g, ends))
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


def _shows(glimpse: Glimpse, ends_mm: Array) -> bool:
    px = project(glimpse.camera, glimpse.pose, ends_mm)
    size = np.array([glimpse.camera.width_px, glimpse.camera.height_px])
    return bool(np.isfinite(px).all() and (px > 12).all() and (px < size - 12).all())


def _view(photo: int, task: BoltTask, patch: Patch | None, start: Array, radius_mm: float) -> BoltView | None:
    """The photo as a view of the bolt, where all of the bolt is in the picture."""
    if patch is None:
        return None
    view = task.view
    ends = np.vstack([np.append(start[:2], 0.0), start[2:5]])
    px_per_mm = view.camera.fx / max(view.pose.centre_mm[2], 1.0)
    coarse = edge_field(patch.gray, patch.usable, patch.origin_px, min(1.0, CELLS_A_RADIUS / (radius_mm * px_per_mm)))
    glimpse = Glimpse(photo, view.camera, view.pose, coarse)
    if not _shows(glimpse, ends):
        return None
    fine = edge_field(patch.gray, patch.usable, patch.origin_px, min(1.0, 2 * CELLS_A_RADIUS / (radius_mm * px_per_mm)))
    return BoltView(photo, view.camera, view.pose, patch, glimpse, Glimpse(photo, view.camera, view.pose, fine))


def lay_over(views: Sequence[BoltView], starts: Sequence[Array], shape: BoltShape) -> FoundBolt | None:
    """Climb on the fine fields from each start, fit the best, and keep the best fit; None where no end is seen.

    The end of a bolt is easy to place and its foot is not: shadows and nuts look like its sides. So once the end is
    found, the feet round about are tried as well.
    """
    stickup = None
    if len(views) < 2:
        known = shape.stickup_mm if shape.stickup_mm is not None else STAND_IN_HEIGHT_MM
        stickup = (known, STATED_STICKUP_SIGMA_MM)
        starts = [_at_stickup(views[0], start, known) for start in starts]
    places = _climbed(views, starts, shape, held=stickup is not None)
    if not any(_ends_seen(parts, len(views), END_HINT) for _, _, parts in places):
        return None
    places += _climbed(views, _other_feet(views, places[0][1], shape), shape, held=stickup is not None)
    places.sort(key=lambda one: -one[0])
    worth_fitting = [one for one in _different(places)[:FITS_A_BOLT] if one[0] > places[0][0] - WORTH_A_FIT]
    fits = [_fitted(views, place, shape, stickup) for _, place, _ in worth_fitting]
    score, best = max(fits, key=lambda one: one[0])
    rivals = sum(
        bool(np.linalg.norm(other.parameters[:2] - best.parameters[:2]) > 1.0 and other_score > score - RIVAL_MARGIN)
        for other_score, other in fits
    )
    evidence = tuple(part_evidence(views, best, shape.chamfer_mm))
    return FoundBolt(best, tuple(views), evidence, score, rivals, stickup is not None and shape.stickup_mm is not None)


Climbed = tuple[float, Array, list[list[Array]]]


def _climbed(views: Sequence[BoltView], starts: Sequence[Array], shape: BoltShape, *, held: bool) -> list[Climbed]:
    """Each start climbed on the fine fields: its worth, where it came to rest, and the evidence of each part."""
    fields = [view.fine for view in views]
    out: list[Climbed] = []
    if not len(starts):
        return out
    places, _ = climb(fields, np.array(starts), shape.radius_mm, shape.chamfer_mm, height_known=held, fine=True)
    evidence, parts = weigh(fields, places, shape.chamfer_mm)
    worth = evidence + _worth_of_ends(parts)
    for k, place in enumerate(places):
        out.append((float(worth[k]), place, [[piece[k : k + 1] for piece in view] for view in parts]))
    return sorted(out, key=lambda one: -one[0])


def _worth_of_ends(parts: list[list[Array]]) -> Array:
    """What an end and a foot seen where they are add, (K,): shadows and nuts have sides like a bolt's, but neither.

    A foot counts as far as it is seen aslant; end-on a nut's corner or its shade passes for one.
    """
    return ENDS_WORTH * np.sum([aslant_of(p[5]) * p[4] + np.maximum(p[2], p[3]) for p in parts], axis=0)


def _ends_seen(parts: list[list[Array]], views: int, least: float) -> bool:
    """Whether the end of a bolt shows in as many views as it must: two, where there are two."""
    ends = sorted((max(float(part[2][0]), float(part[3][0])) for part in parts), reverse=True)
    return ends[min(views, 2) - 1] > least


def _different(places: Sequence[Climbed]) -> list[Climbed]:
    kept: list[Climbed] = []
    for one in places:
        if all(np.linalg.norm(one[1][:5] - other[1][:5]) > 1.0 for other in kept):
            kept.append(one)
    return kept


def _fitted(
    views: Sequence[BoltView], place: Array, shape: BoltShape, stickup: tuple[float, float] | None
) -> tuple[float, AxisFit]:
    """A place fitted: its score (evidence less the cost of scatter) and the fit."""
    fit = fit_axis(views, place, shape.radius_mm, chamfer_mm=shape.chamfer_mm, stickup_mm=stickup)
    evidence, parts = weigh([view.fine for view in views], fit.parameters[None], shape.chamfer_mm, sampling=DENSE)
    score = float(evidence[0] + _worth_of_ends(parts)[0]) - RMS_COST * fit.rms_px * len(views)
    # A bolt whose end does not show where the fit has it is fitted wrongly, however well its sides fit.
    return score - (0.0 if _ends_seen(parts, len(views), END_SURE) else NO_END_COST), fit


def _other_feet(views: Sequence[BoltView], place: Array, shape: BoltShape) -> list[Array]:
    """Feet within 20 mm at which, the end staying where it is, the evidence peaks."""
    step = np.arange(-FOOT_REACH_MM, FOOT_REACH_MM + 0.1, FOOT_STEP_MM)
    dx, dy = np.meshgrid(step, step)
    rows = np.repeat(place[None], dx.size, axis=0)
    rows[:, 0] += dx.ravel()
    rows[:, 1] += dy.ravel()
    rows[:, 5], rows[:, 6] = shape.radius_mm, 0.0
    score, parts = weigh([view.fine for view in views], rows, shape.chamfer_mm)
    field = (score + _worth_of_ends(parts)).reshape(dx.shape)
    peaks = np.flatnonzero((field == maximum_filter(field, size=5)).ravel())
    peaks = peaks[np.argsort(-field.ravel()[peaks], kind="stable")]
    return [rows[k] for k in peaks if np.hypot(*(rows[k, :2] - place[:2])) > 2.0][:OTHER_FEET]


def _at_stickup(view: BoltView, start: Array, stickup_mm: float) -> Array:
    """The same picture of a bolt with its tip moved along its ray to the stated height."""
    tip_px = project(view.camera, view.pose, start[None, 2:5])
    tip = tip_on_ray(view.coarse, tip_px[0], np.array([stickup_mm]))[0]
    return np.concatenate([start[:2], tip, start[5:]])


def _apart(found: Sequence[FoundBolt]) -> list[FoundBolt]:
    kept: list[FoundBolt] = []
    for bolt in sorted(found, key=lambda b: -b.score):
        place = bolt.fit.parameters[:2]
        if all(np.linalg.norm(place - other.fit.parameters[:2]) > APART_MM for other in kept):
            kept.append(bolt)
    return kept


def refit(bolt: FoundBolt, shape: BoltShape, stickup_mm: float | None) -> FoundBolt:
    """Fit again from where it stands, with a better known radius."""
    held = None
    if len(bolt.views) < 2:
        held = (stickup_mm if stickup_mm is not None else STAND_IN_HEIGHT_MM, STATED_STICKUP_SIGMA_MM)
    fit = fit_axis(bolt.views, bolt.fit.parameters, shape.radius_mm, chamfer_mm=shape.chamfer_mm, stickup_mm=held)
    evidence = tuple(part_evidence(bolt.views, fit, shape.chamfer_mm))
    return FoundBolt(fit, bolt.views, evidence, bolt.score, bolt.rivals, bolt.stated)


def ground_of(view: BoltView, px: Array) -> Array:
    """Where pixels of a view meet the concrete, (N, 3)."""
    return meet_plane(view.camera, view.pose, px)
