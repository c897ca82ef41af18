"""Which of the shapes laid over the photos are bolts, and what is to be said of each."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from sillwright.candidates import Dropped, Why
from sillwright.measure.bends import bow_of, is_bent
from sillwright.measure.find import FoundBolt, refit
from sillwright.measure.nuts import shows_foot, with_nut
from sillwright.measure.search import BoltShape
from sillwright.see.edges import WallEdges
from sillwright.see.ribs import rib_repeat
from sillwright.solve.axis import PartEvidence
from sillwright.solve.climb import end_is_hidden

# Thresholds of evidence (nats a witness, see.edgefield) between bolts and everything else on rendered photos:
# every bolt's end showed 0.36 or more in every photo that had it; no other shape did in all of its photos.
END_SEEN = 0.25
END_SEEN_ALONE = 0.5
FOOT_SEEN = 0.45
FOOT_SEEN_ALONE = 0.3
FOOT_SURE = 0.5
TOTAL_SEEN = 3.0
TOTAL_SEEN_ALONE = 4.5
EDGES_ALONE = 75
SCATTER_PX, SCATTER_LIMIT_PX = 0.8, 1.0
SCATTER_ALONE_PX = 1.45
# One photo has nothing but the look of its foot to say where along the bolt the concrete is: on rendered photos taken
# singly those within 1.2 mm had 0.79 and more, those a centimetre and more off 0.63 at most.
FOOT_SURE_ALONE, SCATTER_SURE_ALONE_PX = 0.72, 0.6
# Scores of whole shapes: bolts of the rendered photos had 10 and more in one view and 15 and more in two; all else that
# was no reinforcing bar had 6 at most, in however many.
TOLD_SCORE, TOLD_SCORE_A_VIEW = 4.0, 4.0
RIBBED = 0.45
RIBS_AGREE_MM = 1.0
RIBS_ALONE_SHADE = 2.0  # grey levels rms, where one photo only can tell
EDGE_MARGIN_MM = 4.0


@dataclass(frozen=True)
class Judged:
    """A bolt and the codes of what is doubtful about it, the doubtful ones first; how far it bows, where it is bent.

    photos_alone : of one that was corrected by hand, what the photos alone said; None where they said nothing
    """

    found: FoundBolt
    doubts: tuple[str, ...]
    notes: tuple[str, ...]
    bow_mm: float | None = None
    photos_alone: Judged | None = None


def judge_shapes(found: Sequence[FoundBolt], edges: tuple[WallEdges, ...], shape: BoltShape) -> list[Judged | Dropped]:
    """Of each shape whether it is a bolt, or why it is none."""
    judged: list[Judged | Dropped] = []
    for one in found:
        verdict = _judge(one, shape)
        if not isinstance(verdict, Judged):
            judged.append(Dropped(one.fit.parameters, verdict))
        elif _on_wall(verdict.found, edges):
            judged.append(_looked_over(verdict, shape))
        else:
            judged.append(Dropped(verdict.found.fit.parameters, "off-wall"))
    return judged


def judge_marked(found: FoundBolt, shape: BoltShape) -> Judged | None:
    """A shape where a person says that a bolt stands, if the photos show one; on the wall or off it."""
    verdict = _judge(found, shape)
    return _looked_over(verdict, shape) if isinstance(verdict, Judged) else None


def _looked_over(judged: Judged, shape: BoltShape) -> Judged:
    """A bolt with what is on it and how it is bent: judged again by what a nut leaves in sight, where it has one."""
    found, nut = with_nut(judged.found, shape)
    if nut is not None:
        verdict = _judge_parts(found, shape)
        again = verdict if isinstance(verdict, Judged) else Judged(found, ("weak-evidence",), judged.notes)
        foot = () if shows_foot(found, FOOT_SEEN) else ("base-hidden",)
        doubts = tuple(dict.fromkeys((*again.doubts, *foot)))
        judged = Judged(again.found, doubts, (*again.notes, "has-nut"))
    bow = bow_of(judged.found, nut, shape)
    return replace(judged, doubts=(*judged.doubts, "bent"), bow_mm=bow.size_mm) if is_bent(bow) else judged


def _judge(found: FoundBolt, shape: BoltShape) -> Judged | Why:
    verdict = _judge_parts(found, shape)
    if not isinstance(verdict, Judged) and found.score > told_from(len(found.views)):
        if is_ribbed(found):
            return "ribbed"
        # Not clear enough to be passed, and too like a bolt to keep quiet about.
        notes = ("one-view",) if len(found.views) < 2 and not found.stated else ()
        return Judged(found, ("weak-evidence",), notes)
    return verdict


def _judge_parts(found: FoundBolt, shape: BoltShape) -> Judged | Why:
    if len(found.views) > 1:
        good = [
            i
            for i, part in enumerate(found.evidence)
            if _end_seen(part) >= END_SEEN or end_is_hidden(part.rim, part.face)
        ]
        if len(good) < len(found.views):
            if len(good) < 2 or len(good) < 0.6 * len(found.views):
                return _endless(found) or ("few-photos" if good else "no-end")
            kept = tuple(found.views[i] for i in good)
            found = refit(replace(found, views=kept), shape)
        return _judge_many(found)
    return _judge_alone(found)


def _endless(found: FoundBolt) -> Judged | None:
    """A shape with sides and a foot in every photo but no clear end: something bolt-like stands there. Say so."""
    # To tell of it, what may be a foot is enough; to pass a bolt, it must be seen aslant as well (foot_seen).
    feet = sum(part.foot >= FOOT_SURE for part in found.evidence)
    least = min(part.total for part in found.evidence)
    if feet < 2 or least < TOTAL_SEEN or found.fit.rms_px > SCATTER_PX or is_ribbed(found):
        return None
    return Judged(found, ("weak-evidence",), ())


def _end_seen(part: PartEvidence) -> float:
    return max(part.rim, part.face)


def _judge_many(found: FoundBolt) -> Judged | Why:
    ends = sum(_end_seen(part) >= END_SEEN for part in found.evidence)
    scatter = found.fit.rms_px
    if sum(part.total for part in found.evidence) < TOTAL_SEEN:
        return "outline"
    if ends < 2:
        return "few-photos"
    if scatter > SCATTER_LIMIT_PX:
        return "scatter"
    if is_ribbed(found):
        return "ribbed"
    doubts = []
    if max(part.foot_seen for part in found.evidence) < FOOT_SEEN:
        doubts.append("base-hidden")
    if scatter > SCATTER_PX or found.rivals:
        doubts.append("views-disagree" if found.rivals else "weak-evidence")
    return Judged(found, tuple(doubts), ())


def _judge_alone(found: FoundBolt) -> Judged | Why:
    part, fit = found.evidence[0], found.fit
    if part.total < TOTAL_SEEN_ALONE or fit.edges < EDGES_ALONE:
        return "outline"
    if _end_seen(part) < END_SEEN_ALONE:
        return "no-end"
    if fit.rms_px > SCATTER_ALONE_PX:
        return "scatter"
    if part.foot < FOOT_SEEN_ALONE:
        return "no-foot"
    if is_ribbed(found):
        return "ribbed"
    doubts = ["base-hidden"] if part.foot_seen < FOOT_SURE_ALONE else []
    if found.rivals or fit.rms_px > SCATTER_SURE_ALONE_PX:
        doubts.append("weak-evidence")
    return Judged(found, tuple(doubts), ("stated-stickup",) if found.stated else ("one-view",))


def is_ribbed(found: FoundBolt) -> bool:
    """Whether it is a stub of reinforcing bar: most photos that can tell show ribs along it, all with one repeat.

    Fine threads seen aslant beat with the pixels and may look like ribs, but otherwise in each photo. Where one photo
    only can tell, its ribs must stand well out of the noise.
    """
    fit = found.fit
    seen = [
        rib_repeat(view.patch, view.camera, view.pose, fit.base_mm, fit.tip_mm, float(fit.parameters[5]))
        for view in found.views
    ]
    told = [one for one in seen if one is not None]
    ribs = [one for one in told if one.strength > RIBBED and (len(told) > 1 or one.shade > RIBS_ALONE_SHADE)]
    if 2 * len(ribs) <= len(told):
        return False
    repeats_mm = [one.repeat_mm for one in ribs]
    return max(repeats_mm) - min(repeats_mm) < RIBS_AGREE_MM


def ribbed_stubs(found: Sequence[FoundBolt]) -> list[FoundBolt]:
    """Shapes that would pass for bolts but for their ribs: left out, and told of."""
    return [one for one in found if one.score > told_from(len(one.views)) and is_ribbed(one)]


def flat_marks(flat: Sequence[FoundBolt]) -> list[FoundBolt]:
    """What looks like a bolt and lies flat: left out, and told of."""
    return [one for one in flat if one.score > told_from(len(one.views))]


def told_from(views: int) -> float:
    """The score from which a shape is too like a bolt to keep quiet about."""
    return TOLD_SCORE + TOLD_SCORE_A_VIEW * views


def _on_wall(found: FoundBolt, edges: tuple[WallEdges, ...]) -> bool:
    """Whether the base stands on the concrete, by the edges seen in the photos that show it."""
    x, y = (float(v) for v in found.fit.parameters[:2])
    low = [e[0].offset_mm + e[0].slope * x for v in found.views if (e := edges[v.photo])[0] is not None]
    high = [e[1].offset_mm + e[1].slope * x for v in found.views if (e := edges[v.photo])[1] is not None]
    if low and y < float(np.median(low)) + EDGE_MARGIN_MM:
        return False
    return not (high and y > float(np.median(high)) - EDGE_MARGIN_MM)
