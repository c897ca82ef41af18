"""One run: its block joined, its chalk line laid, its bolts found, judged and written down."""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np

from sillwright.camera import Camera, Pose
from sillwright.candidates import Dropped
from sillwright.corrections import NOTHING, RunCorrections
from sillwright.corrections_file import CORRECTIONS
from sillwright.job import Job, RunJob
from sillwright.measure.block import Block, join
from sillwright.measure.by_hand import NOT_CORRECTED, ByHand, correct_bolts, unplaced_fault
from sillwright.measure.corner import OF_ALL_ON_A_RUN
from sillwright.measure.find import FoundBolt, find_bolts
from sillwright.measure.lenses import LensOfPhoto
from sillwright.measure.line import ChosenLine, lay_again, lay_line
from sillwright.measure.misfit import misfits
from sillwright.measure.record import bolt_record, card_record, edge_records, names_of, overhang_mm
from sillwright.measure.run_reasons import end_cards, loosely_spaced, run_reasons, strange_lenses, told_by_bolts
from sillwright.measure.scale import ScaleVerdict, SizeSeen, judge_scale, looks_like_size, sizes_seen
from sillwright.measure.search import BoltShape, bounds_of, search_photos
from sillwright.measure.standing import Lookout
from sillwright.measure.starts import APART_MM, rough_places
from sillwright.measure.turns import doubted_lenses, turned_lenses, ways_up
from sillwright.measure.unmeasured import stands_unmeasured
from sillwright.measure.verdict import Judged, flat_marks, judge_shapes, ribbed_stubs
from sillwright.measure.work import CardsSeen, Crew
from sillwright.see.chalk import LineTrace
from sillwright.see.edges import WallEdges
from sillwright.solve.axis import AxisFit
from sillwright.survey import BoltRecord, CardRecord, Finding, RunRecord, Status, worst

MOST_TURNS = 2  # rounds; photos whose neighbours stood wrong may show it only in the second
THREAD_DEPTH = 0.6134  # of the pitch: the height of an external thread, ASME B1.1
OVERHANG_MM = 10.0  # edges of rendered walls, chips and all, came out within 4 mm
TWO_WAYS_DEG = 25.0  # far more than cards lie askew; walls meet at 30 degrees and more (common practice, no source)
UNMEASURED = "stands-unmeasured"


@dataclass(frozen=True)
class RunResult:
    """A run's record, how its photos stand to it (camera and right-handed pose), and what is to be said of them.

    struck_mm : station and setback of what a person struck out
    """

    record: RunRecord
    poses: Mapping[Path, tuple[Camera, Pose]]
    y_sign: float
    photo_findings: Mapping[Path, tuple[Finding, ...]]
    struck_mm: tuple[tuple[float, float], ...] = ()


@dataclass(frozen=True)
class LaidRun:
    """A run whose photos stand in one frame on its chalk line, before its bolts are looked for.

    lenses : of the job's photos, those of this run standing as the run showed they were stored
    strange : photos (indices) whose lens is not as known
    """

    run: RunJob
    block: Block
    line: ChosenLine
    traces: Mapping[Path, LineTrace]
    lenses: Mapping[Path, LensOfPhoto]
    strange: Sequence[int] = ()

    @property
    def stations_mm(self) -> dict[int, float]:
        """Station of the zero mark of each of the run's cards."""
        cards = zip(self.block.numbers, self.block.solution.state.cards, strict=True)
        return {number: float(card.origin_mm[0]) for number, card in cards if number in self.block.own}

    @property
    def poses(self) -> dict[Path, tuple[Camera, Pose]]:
        """Camera and right-handed pose of each photo."""
        return _poses(self.block)


@dataclass(frozen=True)
class SearchedRun:
    """A laid run with its bolts found.

    edges : the wall's low and high edge in each photo; sizes : how large the bolts look
    left_out : stubs of reinforcing bar, flat marks and what stands without having been measured
    dropped : all that is none
    other_size : the listed size of which bolts show, where those of the stated one do not
    coarse : photos with too few pixels to look for bolts in
    judged : what the photos alone show; by_hand : what a person corrected of it
    """

    laid: LaidRun
    judged: tuple[Judged, ...]
    edges: tuple[WallEdges, ...]
    sizes: tuple[SizeSeen, ...]
    left_out: tuple[Finding, ...]
    dropped: tuple[Dropped, ...]
    other_size: Finding | None = None
    coarse: tuple[Path, ...] = ()
    by_hand: ByHand = NOT_CORRECTED

    @property
    def bolts(self) -> tuple[Judged, ...]:
        """The bolts to be written down."""
        return (*self.by_hand.untouched(self.judged), *self.by_hand.bolts)


def lay_run(
    job: Job,
    run: RunJob,
    photos: Sequence[CardsSeen],
    lenses: Mapping[Path, LensOfPhoto],
    names: Mapping[Path, str],
    crew: Crew,
) -> LaidRun | RunResult:
    """Join a run's photos and lay them on its chalk line; the result at once where that cannot be done."""
    own = _cards_of(job, run, photos)
    block = join(photos, own, lenses, job, run.tape, names) if own else None
    if block is None:
        return _nothing(job, run, photos, names)
    laid = lay_line(block, crew, run.corrections.lines)
    ways = ways_up(block if laid is None else laid.block, lenses)
    for _ in range(MOST_TURNS):
        if not ways.turned:
            break
        # Which way up each photo was stored shows in the cards and the line together, so both are laid again.
        lenses = {**lenses, **turned_lenses(ways, photos, lenses, job)}
        block = join(photos, own, lenses, job, run.tape, names) or block
        laid = lay_line(block, crew, run.corrections.lines)
        ways = ways_up(block if laid is None else laid.block, lenses)
    opened = doubted_lenses(ways, photos, lenses, names, job)
    if opened:
        lenses = {**lenses, **opened}
        block = join(photos, own, lenses, job, run.tape, names) or block
        laid = None if laid is None else lay_again(block, laid)
    if laid is None:
        return _no_line(job, run, block, names)
    return LaidRun(run, laid.block, laid.line, laid.traces, lenses, strange_lenses(laid.block))


def search_run(
    job: Job,
    laid: LaidRun,
    within_mm: tuple[float, float],
    crew: Crew,
    edges: Sequence[WallEdges] | None = None,
    corrections: RunCorrections = NOTHING,
) -> SearchedRun:
    """Find the bolts of a run between two stations.

    ``edges`` are the wall's by photo where they are known; ``corrections`` what a person said of the bolts.
    """
    shape = BoltShape(job.bolt.diameter_mm / 2.0, THREAD_DEPTH * job.bolt.pitch_mm, job.stickup_mm)
    bounds = bounds_of(laid.block, job.plate_width_mm, within_mm)
    search, photos = search_photos(laid.block, bounds, job.card_thickness_mm, shape.radius_mm, crew, edges)
    groups, let_go = rough_places(search, photos, shape)
    del photos  # a few megabytes a photo, and none of it is looked at again
    lookout = Lookout(search)
    shapes = find_bolts(search, groups, shape, lookout, crew)
    verdicts = judge_shapes(shapes.standing, search.edges, shape)
    judged = tuple(one for one in verdicts if isinstance(one, Judged))
    y_sign = _plate_side(laid.block, [one.found for one in judged])
    by_hand = correct_bolts(job, corrections, laid.block, judged, y_sign, search, shape, crew)
    untouched = [one.found for one in by_hand.untouched(judged)]
    sizes = sizes_seen(laid.block, untouched, shape.radius_mm, shape.chamfer_mm)
    marked = [one.found.fit for one in by_hand.bolts]
    stubs, marks = _not_at(marked, ribbed_stubs(shapes.standing)), _not_at(marked, flat_marks(shapes.flat))
    known = [*(one.found.fit for one in judged), *(one.fit for one in stubs), *marked]
    left_out = [("ribbed", float(one.fit.parameters[0])) for one in stubs]
    left_out += [("lies-flat", float(one.fit.parameters[0])) for one in marks]
    left_out += [("struck-by-hand", float(judged[k].found.fit.parameters[0])) for k in by_hand.struck]
    left_out += [(UNMEASURED, float(at[0])) for at in stands_unmeasured(lookout, search, known, shape.radius_mm)]
    told = tuple(Finding(code, (), (), station_mm) for code, station_mm in left_out)
    dropped = [one for one in verdicts if isinstance(one, Dropped)]
    dropped += [Dropped(one.fit.parameters, "flat") for one in shapes.flat]
    coarse = tuple(task.view.path for task in search.tasks if task.is_coarse)
    dropped += [*(Dropped(judged[k].found.fit.parameters, "struck") for k in by_hand.struck), *shapes.dropped, *let_go]
    return SearchedRun(laid, judged, tuple(search.edges), sizes, told, tuple(dropped), coarse=coarse, by_hand=by_hand)


def _not_at(marked: Sequence[AxisFit], shapes: Sequence[FoundBolt]) -> list[FoundBolt]:
    """Shapes that stand, or lie, where no bolt was put by hand."""
    return [one for one in shapes if all(np.linalg.norm(one.fit.base_mm - fit.base_mm) > APART_MM for fit in marked)]


def correction_faults(job: Job, name: str, laid: LaidRun | RunResult, searched: Mapping[str, SearchedRun]) -> list[str]:
    """A sentence for each correction of a run (by its name) that meets nothing."""
    if isinstance(laid, RunResult):
        corrections = next(run.corrections for run in job.runs if run.name == name)
        why = f'nothing of run "{name}" could be measured. Put {CORRECTIONS} aside and measure, to see why.'
        return [f"{entry}: {why}" for entry in corrections.entries]
    lines = [line for line in laid.run.corrections.lines if line.photo not in laid.block.photos]
    unplaced = [unplaced_fault(line.entry, job.file_name(line.photo)) for line in lines]
    return [*unplaced, *searched[name].by_hand.faults]


def finish_run(
    job: Job, found: SearchedRun, sizes: Sequence[SizeSeen], poor: Collection[Path], names: Mapping[Path, str]
) -> RunResult:
    """Write a run down.

    ``sizes`` are those of the whole job's bolts, since its cards were printed together; ``poor`` are the photos that do
    not fit this run or another, since one that does not fit there can fit here by giving way only.
    """
    scale = judge_scale(found.laid.block, sizes, check_given=job.check_length_mm is not None)
    result = _result(job, found.laid, found.bolts, scale, found.edges, poor, names)
    reasons = (*result.record.reasons, *found.left_out)
    doubtful = any(left_out.code in (UNMEASURED, "struck-by-hand") for left_out in found.left_out)
    status = worst(result.record.status, "check" if doubtful else "ok")
    other_size = found.other_size or looks_like_size(job.bolt, scale)
    if other_size is not None:
        reasons = (other_size, *(reason for reason in reasons if reason.code != "no-bolts"))
    photos = dict(result.photo_findings)
    for path in found.coarse:
        photos[path] = (*photos.get(path, ()), Finding("too-coarse", (names[path],)))
    record = replace(result.record, reasons=reasons, status=status)
    struck = [found.judged[k].found.fit.parameters[:2] * [1.0, result.y_sign] for k in found.by_hand.struck]
    struck_mm = tuple((float(x), float(y)) for x, y in struck)
    return replace(result, record=record, photo_findings=photos, struck_mm=struck_mm)


def _cards_of(job: Job, run: RunJob, photos: Sequence[CardsSeen]) -> list[int]:
    """The cards that lie on a run: as the crew says, else all that its own photos show and no other run claims."""
    if run.cards is not None:
        return list(run.cards)
    claimed = {n for other in job.runs if other.name != run.name for n in other.cards or ()}
    seen = {n for photo in photos if photo.path in run.photos for n in photo.cards}
    return sorted(seen - claimed)


def _plate_side(block: Block, bolts: Sequence[FoundBolt]) -> float:
    """+1 where the plate lies to the left of the line looking along it, -1 to the right: the side the bolts are on."""
    if bolts:
        left = sum(1 if bolt.fit.parameters[1] > 0 else -1 for bolt in bolts)
        if left:
            return 1.0 if left > 0 else -1.0
    cards = [c for c, n in zip(block.solution.state.cards, block.numbers, strict=True) if n in block.own]
    middles = [(c.origin_mm + c.rotation @ np.array([120.0, 45.0, 0.0]))[1] for c in cards]
    return 1.0 if float(np.mean(middles)) >= 0 else -1.0


def _result(
    job: Job,
    laid: LaidRun,
    judged: Sequence[Judged],
    scale: ScaleVerdict,
    edges: Sequence[WallEdges],
    poor: Collection[Path],
    names: Mapping[Path, str],
) -> RunResult:
    run, block, line = laid.run, laid.block, laid.line
    y_sign = _plate_side(block, [one.found for one in judged])
    chamfer_mm = THREAD_DEPTH * job.bolt.pitch_mm
    files = names_of(block.photos, names)
    ordered = sorted(judged, key=lambda one: float(one.found.fit.parameters[0]))
    bolts = tuple(
        bolt_record(block, one, str(i), y_sign, job.bolt.diameter_mm, chamfer_mm, scale, files)
        for i, one in enumerate(ordered, start=1)
    )
    reasons = run_reasons(job, block, line, laid.lenses, scale, poor, laid.strange, names)
    reasons += told_by_bolts(job, block, judged, misfit=any(reason.code == "misfit" for reason in reasons))
    if not bolts:
        reasons.append(Finding("no-bolts"))
    of_all = tuple(reason for reason in reasons if reason.code in OF_ALL_ON_A_RUN)
    untaped = (Finding("scale-not-taped", (), end_cards(block)),)
    loose = loosely_spaced(bolts, scale.sure_ratio) if scale.trusted else set()
    bolts = tuple(_doubted(b, of_all + (untaped if b.mark in loose else ())) for b in bolts)
    wall = edge_records(edges, y_sign)
    over_mm = overhang_mm(wall, job.plate_width_mm, list(laid.stations_mm.values()))
    overhangs = bool(bolts) and over_mm > OVERHANG_MM  # without bolts the plate's side is a guess
    if overhangs:
        reasons.append(Finding("plate-overhangs", value_mm=over_mm))
    apart = [f for findings in block.left_out.values() for f in findings if f.code == "not-joined"]
    reasons.extend(apart)
    doubtful = not scale.trusted or bool(of_all) or not bolts or bool(apart) or overhangs
    status: Status = "check" if doubtful or any(b.status != "ok" for b in bolts) else "ok"
    record = RunRecord(
        name=run.name,
        status=status,
        reasons=tuple(reasons),
        bolts=bolts,
        cards=_card_records(block, y_sign),
        line_marks=run.line_marks,
        line_color=line.color or None,
        plate_width_mm=job.plate_width_mm,
        scale_from=scale.source,
        scale_u95_ratio=scale.u95_ratio,
        edges=wall,
    )
    return RunResult(record, laid.poses, y_sign, _photo_findings(block, line.photos, laid.strange, names))


def _doubted(bolt: BoltRecord, reasons: tuple[Finding, ...]) -> BoltRecord:
    """The bolt with reasons that forbid ``ok``, where there are any."""
    return replace(bolt, status="check", reasons=(*bolt.reasons, *reasons)) if reasons else bolt


def _card_records(block: Block, y_sign: float) -> tuple[CardRecord, ...]:
    return tuple(
        card_record(number, card, y_sign)
        for number, card in zip(block.numbers, block.solution.state.cards, strict=True)
        if number in block.own
    )


def _poses(block: Block) -> dict[Path, tuple[Camera, Pose]]:
    return {path: (block.camera(i), block.pose(i)) for i, path in enumerate(block.photos)}


def _photo_findings(
    block: Block, with_line: Sequence[int], strange: Sequence[int], names: Mapping[Path, str]
) -> dict[Path, tuple[Finding, ...]]:
    findings: dict[Path, tuple[Finding, ...]] = dict(block.left_out)
    poor = misfits(block)
    for i, path in enumerate(block.photos):
        here = []
        if i not in with_line:
            here.append(Finding("no-chalk-line", (names[path],)))
        if i in poor:
            here.append(Finding("poor-fit", (names[path],)))
        if i in strange:
            here.append(Finding("lens-mismatch", (names[path],)))
        if here:
            findings[path] = tuple(here)
    return findings


def _nothing(job: Job, run: RunJob, photos: Sequence[CardsSeen], names: Mapping[Path, str]) -> RunResult:
    """A run none of whose photos shows a card of it."""
    record = RunRecord(
        run.name,
        "reshoot",
        (Finding("no-cards", (), run.cards or ()),),
        (),
        (),
        run.line_marks,
        plate_width_mm=job.plate_width_mm,
    )
    findings = {
        p.path: (Finding("other-run" if p.cards else "no-cards", (names[p.path],), tuple(sorted(p.cards))),)
        for p in photos
        if p.path in run.photos
    }
    return RunResult(record, {}, 1.0, findings)


def _no_line(job: Job, run: RunJob, block: Block, names: Mapping[Path, str]) -> RunResult:
    """A run without a chalk line: the cards stand, but there is nothing to measure setbacks from."""
    y_sign = _plate_side(block, [])
    cards = _card_records(block, y_sign)
    two_walls = _lie_two_ways([card.turn_deg for card in cards])
    # A line is looked for along the cards; where they lie two ways, photos are not to blame that none was found.
    blameless = range(len(block.photos)) if two_walls else ()
    record = RunRecord(
        run.name,
        "reshoot",
        (Finding("two-walls") if two_walls else Finding("no-chalk-line"),),
        (),
        cards,
        run.line_marks,
        plate_width_mm=job.plate_width_mm,
    )
    return RunResult(record, _poses(block), y_sign, _photo_findings(block, blameless, strange_lenses(block), names))


def _lie_two_ways(turns_deg: Sequence[float]) -> bool:
    """Whether cards lie along two directions; one turned half round lies as before."""
    apart_deg = np.abs(np.subtract.outer(turns_deg, turns_deg)) % 180.0
    return bool((np.minimum(apart_deg, 180.0 - apart_deg) > TWO_WAYS_DEG).any())
