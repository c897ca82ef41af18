"""The bolts of one run: each rough place laid over all its photos on the full-size edges, and fitted."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace

import cv2
import numpy as np

from sillwright.camera import Array, project
from sillwright.candidates import Dropped
from sillwright.measure.other_ends import ends_elsewhere, open_ends
from sillwright.measure.search import BoltShape, Search
from sillwright.measure.standing import Lookout
from sillwright.measure.starts import APART_MM, END_HINT, STARTS_LAID, Start, end_shown, ends_of
from sillwright.measure.work import BoltTask, Crew, cut_patches
from sillwright.outline import DENSE
from sillwright.see.edgefield import edge_field
from sillwright.see.parallax import UNTOLD, Parallax
from sillwright.see.patch import Patch
from sillwright.solve.axis import (
    STAND_IN_HEIGHT_MM,
    AxisFit,
    BoltView,
    PartEvidence,
    fit_axes,
    part_evidence,
)
from sillwright.solve.climb import HEIGHT_RANGE_MM, Glimpse, climb, tip_on_ray, worth_of
from sillwright.solve.hand import HandPoint, cost_of_hand

CELLS_A_RADIUS = 13.0  # of the fine edge fields
FITS_A_BOLT = 3
WORTH_A_FIT = 8.0  # behind the best: more than the scatter of the fits can make up for
END_SURE = 0.25
WORTH_A_VIEW = 5.0  # half of what the least clear bolt of the rendered photos had, nats a photo
WORTH_ALONE = 7.5  # one photo must show more: what is told of scores 8, and fits that score it were worth 9 and more
NO_END_COST = 10.0
BEYOND_DOUBT = 12.0  # nats a photo; bolts with nuts, and ends that were a nut's, had 11 and less
LIKE_A_BOLT = 6.0  # the least score of a bolt, rendered or drawn, was 10: what scores less is not looked at further
FOOT_REACH_MM = 20.0
FOOT_STEP_MM = 1.25
OTHER_FEET, FEET_ROUNDS = 5, 3
WORTH_A_START = 15.0  # behind the best: none that began 10 behind came out best on rendered photos
WORTH_A_CLIMB = 12.0  # behind the best: climbing from another foot gained 9 at most on rendered photos
PIECES_TOGETHER = 30  # pieces of photo held at a time, three megabytes each with what is made of them
KEPT_ROUND_MM = 35.0  # a nut's corners about another foot within 20 mm still lie inside
RMS_COST = 4.0  # evidence a pixel of scatter: edges of a nut or a shadow never fall in line as a bolt's own do
RIVAL_MARGIN = 3.5
RIVAL_FOOT_MM, RIVAL_END_MM = 1.0, 3.0  # two photos from nearly one side can leave the end's height open
HEIGHTS_TRIED_MM = np.arange(30.0, 141.0, 10.0)
STATED_STICKUP_SIGMA_MM = 3.0  # what a crew states is a taped length to about 1/8 in; the record says it rests on it


@dataclass(frozen=True)
class FoundBolt:
    """A shape that was laid over its photos.

    fit : its place; views : the photos (indices) that show it; evidence : of each view; score : evidence less
    the cost of scatter; rivals : how many other places
    fit nearly as well; stated : a stated stick-up was used; parallax : what pairs of photos say of its standing
    hand : points a person marked on photos of it; unsure : covariance (7, 7) of what these leave open beyond the fit's
    """

    fit: AxisFit
    views: tuple[BoltView, ...]
    evidence: tuple[PartEvidence, ...]
    score: float
    rivals: int
    stated: bool
    parallax: Parallax = UNTOLD
    hand: tuple[HandPoint, ...] = ()
    unsure: Array | None = None


@dataclass(frozen=True)
class Shapes:
    """Shapes that were worth laying over their photos, best first, those that lie flat, and places that were let go."""

    standing: tuple[FoundBolt, ...]
    flat: tuple[FoundBolt, ...]
    dropped: tuple[Dropped, ...]


def find_bolts(
    search: Search, groups: Sequence[Sequence[Start]], shape: BoltShape, lookout: Lookout, crew: Crew
) -> Shapes:
    """What stands on a run at its rough places and may be a bolt; whether it is one is judged elsewhere."""
    found: list[FoundBolt] = []
    dropped: list[Dropped] = []
    for together in _batches(search, sorted(groups, key=lambda group: float(group[0].place[0]))):
        for (group, _), views in zip(together, views_of(search, together, shape, crew), strict=True):
            bolt = lay_over(views, _apart_starts(group), shape) if views else None
            if bolt is not None:
                parallax = lookout.look(bolt.fit, [view.photo for view in bolt.views])
                found.append(replace(bolt, views=tuple(_near(view, bolt.fit) for view in views), parallax=parallax))
            else:
                dropped.append(Dropped(group[0].place, "outline" if views else "not-whole"))
    # What lies flat goes first: it must not take the room of a bolt beside it.
    upright = _apart([bolt for bolt in found if not bolt.parallax.lies_flat])
    flat = _apart([bolt for bolt in found if bolt.parallax.lies_flat])
    crowded = [bolt for bolt in found if all(bolt is not other for other in (*upright, *flat))]
    dropped += [Dropped(bolt.fit.parameters, "in-another") for bolt in crowded]
    return Shapes(tuple(upright), tuple(flat), tuple(dropped))


def _apart_starts(group: Sequence[Start]) -> list[Array]:
    """The best few places of a group that are not the same place."""
    chosen: list[Array] = []
    for start in group:
        if len(chosen) < STARTS_LAID and all(np.linalg.norm(start.place[:5] - other[:5]) > 3.0 for other in chosen):
            chosen.append(start.place)
    return chosen


Shown = tuple[Sequence[Start], tuple[int, ...]]
"""The starts of one bolt, and the photos (indices) that show it whole."""


def _batches(search: Search, groups: Sequence[Sequence[Start]]) -> Iterator[list[Shown]]:
    """Groups next to each other, as many together as a few dozen pieces of photo serve."""
    batch: list[Shown] = []
    pieces = 0
    for group in groups:
        photos = search.showing(ends_of(group[0].place))
        if batch and pieces + len(photos) > PIECES_TOGETHER:
            yield batch
            batch, pieces = [], 0
        batch.append((group, photos))
        pieces += len(photos)
    if batch:
        yield batch


def views_of(search: Search, together: Sequence[Shown], shape: BoltShape, crew: Crew) -> Iterator[list[BoltView]]:
    """For each group its photos, cut on the full-size pixels."""
    in_photo = {i: [k for k, (_, photos) in enumerate(together) if i in photos] for i in range(len(search.tasks))}
    in_photo = {i: mine for i, mine in in_photo.items() if mine}
    reached = [_reached(group) for group, _ in together]
    tasks = [
        (search.tasks[i], search.searches[i].edges, tuple(reached[k] for k in mine)) for i, mine in in_photo.items()
    ]
    cut = {
        (i, k): patch
        for (i, mine), patches in zip(in_photo.items(), crew.share_out(cut_patches, tasks), strict=True)
        for k, patch in zip(mine, patches, strict=True)
    }
    for k, (_, photos) in enumerate(together):
        here = [(i, patch) for i in photos if (patch := cut.pop((i, k))) is not None]
        yield [_view(i, search.tasks[i], patch, shape.radius_mm) for i, patch in here]


def _reached(group: Sequence[Start]) -> Array:
    """Where a bolt may reach, given its starts: the ends of all that are laid, and the best one's axis to its highest;
    points (K, 3), the first its foot."""
    ends = np.concatenate([ends_of(place) for place in _apart_starts(group)])
    foot, tip = ends[:2]
    return np.vstack([ends, foot + (tip - foot) * HEIGHT_RANGE_MM[1] / tip[2]])


def _view(photo: int, task: BoltTask, patch: Patch, radius_mm: float) -> BoltView:
    """The photo as a view of the bolt."""
    view = task.view
    px_per_mm = view.camera.fx / max(view.pose.centre_mm[2], 1.0)
    scale = min(1.0, CELLS_A_RADIUS / (radius_mm * px_per_mm))
    field = edge_field(patch.gray, patch.usable, patch.origin_px, scale)
    return BoltView(photo, view.camera, view.pose, patch, Glimpse(photo, view.camera, view.pose, field))


def _near(view: BoltView, fit: AxisFit) -> BoltView:
    """The view with what is near the bolt only: it is looked at again, and many are held at a time."""
    radius_mm = float(fit.parameters[5])
    around = KEPT_ROUND_MM + radius_mm
    corners = [[dx, dy, 0.0] for dx in (-around, around) for dy in (-around, around)]
    px = project(view.camera, view.pose, np.vstack([fit.base_mm + corners, fit.tip_mm + corners]))
    low, high = px.min(axis=0), px.max(axis=0)
    field = view.fine.field.within(low, high)
    return replace(view, patch=view.patch.within(low, high), fine=replace(view.fine, field=field))


def lay_over(views: Sequence[BoltView], starts: Sequence[Array], shape: BoltShape) -> FoundBolt | None:
    """Climb on the fine fields from each start, fit the best, and keep the best fit; None where no end is seen.

    The end of a bolt is easy to place and its foot is not: shadows and nuts look like its sides. So once the end is
    found, the feet round about are tried as well; and once it looks like a bolt, all other ends over its foot.
    """
    stickup = _held_stickup(views, shape)
    if stickup is not None:
        starts = [_at_stickup(views[0], start, stickup[0]) for start in starts]
    places = _climbed(views, starts, shape, held=stickup is not None)
    hinted = any(end_shown(parts) > END_HINT for _, _, parts in places)
    if not hinted or places[0][0] < max(WORTH_ALONE, WORTH_A_VIEW * len(views)):
        return None
    for _ in range(FEET_ROUNDS):
        worth, middle, _ = places[0]
        feet = _other_feet(views, middle, worth - WORTH_A_CLIMB, shape)
        places += _climbed(views, feet, shape, held=stickup is not None)
        places.sort(key=lambda one: -one[0])
        # A better foot at the rim of what was tried may have a better one beyond.
        if np.linalg.norm(places[0][1][:2] - middle[:2]) < 0.5 * FOOT_REACH_MM:
            break
    worth_fitting = [one for one in _different(places)[:FITS_A_BOLT] if one[0] > places[0][0] - WORTH_A_FIT]
    fits = _fitted(views, [place for _, place, _ in worth_fitting], shape, stickup)
    score, best = max(fits, key=lambda one: one[0])
    if stickup is None and score > LIKE_A_BOLT:
        if score < BEYOND_DOUBT * len(views):
            others = _climbed(views, ends_elsewhere(views, best, shape.chamfer_mm), shape, held=False)
            worth_fitting = [one for one in others if one[0] > places[0][0] - WORTH_A_FIT]
            fits += _fitted(views, [place for _, place, _ in worth_fitting], shape, None)
            score, best = max(fits, key=lambda one: one[0])
        fits += _fitted(views, open_ends(best), shape, None)
        score, best = max(fits, key=lambda one: one[0])
    rivals = sum(
        _elsewhere(other.parameters - best.parameters) and other_score > score - RIVAL_MARGIN
        for other_score, other in fits
    )
    evidence = tuple(part_evidence(views, best, shape.chamfer_mm))
    return FoundBolt(best, tuple(views), evidence, score, rivals, stickup is not None and shape.stickup_mm is not None)


def lay_by_hand(
    views: Sequence[BoltView], start: Array, shape: BoltShape, hand: tuple[HandPoint, ...], *, tip_open: bool
) -> FoundBolt:
    """A bolt whose points a person marked, climbed and fitted from where these have it (7,).

    tip_open : how high its tip is was not marked, so other heights are tried where two photos can tell
    """
    stickup = _held_stickup(views, shape, hand)
    held = stickup is not None
    starts = start[None]
    if tip_open and not held:
        shares = HEIGHTS_TRIED_MM / start[4]
        starts = np.repeat(starts, len(shares), axis=0)
        starts[:, 2:5] = start[2:5] * shares[:, None] + np.append(start[:2], 0.0) * (1.0 - shares[:, None])
    fields = [view.fine for view in views]
    for fine in (False, True):
        climbed, _ = climb(fields, starts, shape.radius_mm, shape.chamfer_mm, height_known=held, fine=fine, hand=hand)
        starts = np.vstack([starts, climbed]) if not fine else np.vstack([start, climbed])
    fits = _fitted(views, list(starts), shape, stickup, hand)
    score, best = max(fits, key=lambda one: one[0] - float(cost_of_hand(one[1].parameters, hand)))
    evidence = tuple(part_evidence(views, best, shape.chamfer_mm))
    return FoundBolt(best, tuple(views), evidence, score, 0, held and shape.stickup_mm is not None, hand=hand)


def _held_stickup(
    views: Sequence[BoltView], shape: BoltShape, hand: Sequence[HandPoint] = ()
) -> tuple[float, float] | None:
    """The stick-up to hold, and its sigma, where neither two photos nor a tip marked in two can give it: the stated
    one, or a stand-in."""
    if len(views) > 1 or sum(point.end == "tip" for point in hand) > 1:
        return None
    return shape.stickup_mm if shape.stickup_mm is not None else STAND_IN_HEIGHT_MM, STATED_STICKUP_SIGMA_MM


def _elsewhere(off: Array) -> bool:
    """Whether a fit that is off another by so much (7,) is of another place: another foot, or another end."""
    return bool(np.linalg.norm(off[:2]) > RIVAL_FOOT_MM or np.linalg.norm(off[2:5]) > RIVAL_END_MM)


Climbed = tuple[float, Array, list[list[Array]]]


def _climbed(views: Sequence[BoltView], starts: Sequence[Array], shape: BoltShape, *, held: bool) -> list[Climbed]:
    """Each start climbed on the fine fields: its worth, where it came to rest, and the evidence of each part."""
    fields = [view.fine for view in views]
    out: list[Climbed] = []
    if not len(starts):
        return out
    rows = np.array(starts)
    worth, _ = worth_of(fields, rows, shape.chamfer_mm)
    rows = rows[worth > worth.max() - WORTH_A_START]
    places, _ = climb(fields, rows, shape.radius_mm, shape.chamfer_mm, height_known=held, fine=True)
    worth, parts = worth_of(fields, places, shape.chamfer_mm)
    for k, place in enumerate(places):
        out.append((float(worth[k]), place, [[piece[k : k + 1] for piece in view] for view in parts]))
    return sorted(out, key=lambda one: -one[0])


def _different(places: Sequence[Climbed]) -> list[Climbed]:
    kept: list[Climbed] = []
    for one in places:
        if all(np.linalg.norm(one[1][:5] - other[1][:5]) > 1.0 for other in kept):
            kept.append(one)
    return kept


def _fitted(
    views: Sequence[BoltView],
    places: Sequence[Array],
    shape: BoltShape,
    stickup: tuple[float, float] | None,
    hand: tuple[HandPoint, ...] = (),
) -> list[tuple[float, AxisFit]]:
    """Places fitted: of each its score (evidence less the cost of scatter) and the fit."""
    if not len(places):
        return []
    fits = fit_axes(
        views, np.array(places), shape.radius_mm, chamfer_mm=shape.chamfer_mm, stickup_mm=stickup, hand=hand
    )
    rows = np.array([fit.parameters for fit in fits])
    worth, parts = worth_of([view.fine for view in views], rows, shape.chamfer_mm, sampling=DENSE)
    scores = []
    for k, fit in enumerate(fits):
        # A bolt whose end does not show where the fit has it is fitted wrongly, however well its sides fit.
        shown = end_shown([[part[k : k + 1] for part in view] for view in parts])
        unseen = float(np.clip((END_SURE - shown) / (END_SURE - END_HINT), 0.0, 1.0))
        scores.append((float(worth[k]) - RMS_COST * fit.rms_px * len(views) - NO_END_COST * unseen, fit))
    return scores


def _other_feet(views: Sequence[BoltView], place: Array, least: float, shape: BoltShape) -> list[Array]:
    """Feet within 20 mm at which, the end staying where it is, the evidence peaks and is worth at least so much."""
    step = np.arange(-FOOT_REACH_MM, FOOT_REACH_MM + 0.1, FOOT_STEP_MM)
    dx, dy = np.meshgrid(step, step)
    rows = np.repeat(place[None], dx.size, axis=0)
    rows[:, 0] += dx.ravel()
    rows[:, 1] += dy.ravel()
    rows[:, 5], rows[:, 6] = shape.radius_mm, 0.0
    worth, _ = worth_of([view.fine for view in views], rows, shape.chamfer_mm)
    field = worth.reshape(dx.shape)
    peaks = np.flatnonzero(((field == cv2.dilate(field, np.ones((5, 5), dtype=np.uint8))) & (field > least)).ravel())
    peaks = peaks[np.argsort(-field.ravel()[peaks], kind="stable")]
    return [rows[k] for k in peaks if np.hypot(*(rows[k, :2] - place[:2])) > 2.0][:OTHER_FEET]


def _at_stickup(view: BoltView, start: Array, stickup_mm: float) -> Array:
    """The same picture of a bolt with its tip moved along its ray to the stated height."""
    tip_px = project(view.camera, view.pose, start[None, 2:5])
    tip = tip_on_ray(view.fine, tip_px[0], np.array([stickup_mm]))[0]
    return np.concatenate([start[:2], tip, start[5:]])


def _apart(found: Sequence[FoundBolt]) -> list[FoundBolt]:
    """The best of those that would stand in one another: steel does not go through steel."""
    kept: list[FoundBolt] = []
    for bolt in sorted(found, key=lambda b: -b.score):
        if all(_room_between(bolt.fit, other.fit) for other in kept):
            kept.append(bolt)
    return kept


def _room_between(one: AxisFit, other: AxisFit) -> bool:
    """Whether two bolts have room beside each other, at the concrete and all the way up."""
    if np.linalg.norm(one.base_mm - other.base_mm) <= APART_MM:
        return False
    along = np.linspace(0.0, 1.0, 24)[:, None]
    first = one.base_mm + along * (one.tip_mm - one.base_mm)
    second = other.base_mm + along * (other.tip_mm - other.base_mm)
    nearest = np.linalg.norm(first[:, None] - second[None], axis=2).min()
    return bool(nearest > one.parameters[5] + other.parameters[5])


def refit(bolt: FoundBolt, shape: BoltShape, start: Array | None = None) -> FoundBolt:
    """Fit again in the views it has now, from where it stands or from another start (7,)."""
    (fit,) = fit_axes(
        bolt.views,
        (bolt.fit.parameters if start is None else start)[None],
        shape.radius_mm,
        chamfer_mm=shape.chamfer_mm,
        stickup_mm=_held_stickup(bolt.views, shape, bolt.hand),
        hand=bolt.hand,
    )
    evidence = tuple(part_evidence(bolt.views, fit, shape.chamfer_mm))
    return replace(bolt, fit=fit, evidence=evidence)
