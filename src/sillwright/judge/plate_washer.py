"""The square plate washer of a seismic rule on the wood: does all of it lie there, and how near an edge can it come?

IRC R602.11.1 (2018 to 2024, from memory; the same wording was read in IBC 2006 2305.3.11) asks for steel at least
0.229 in by 3 in by 3 in between sill plate and nut. Its hole may be slotted diagonally: no more than 3/16 in wider than
the bolt and no more than 1 3/4 in long, with a standard cut washer under the nut. No section was read that says how
much of it must bear; that all of it lies on wood, over no edge, end or joint, is common practice, no source.

SDPWS 4.3.6.4.3 (2008 to 2021, second-hand) wants the washer's edge within 1/2 in of the plate's edge on the sheathed
side. Photos do not show the sheathing: each side is judged, and where one side holds and the other does not, which of
them is sheathed decides.

A washer lies on the top plate, so a bolt is judged where it comes out of it. In a slotted washer it may be moved along
the slot, as far across the plate as along it, and the washer turned so that the two ways go together
(``PlateWasherFigure``, ``washer_places``). Whatever is claimed of a washer holds in one place of it.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

from sillwright.judge.rules import LengthFigure, PlateWasherFigure, Source
from sillwright.judge.steps import End, Piece
from sillwright.judge.verdicts import Check, PlateSide, Verdict
from sillwright.judge.washer_places import RAYS, Ray, Room, rooms_of, span_mm, tightest

_SAME_MM = 1e-3


@dataclass(frozen=True)
class BoltAtNut:
    """A bolt where it comes out of the top plate, in the frame of that plate's run, mm.

    u95_low_mm, u95_high_mm : half-widths along the wall from the piece's low and its high end; ``u95_across_mm`` from
    either edge; None where not known
    doubtful : the bolt is ``check`` in the record
    """

    mark: str
    diameter_mm: float
    station_mm: float
    setback_mm: float
    u95_low_mm: float | None
    u95_high_mm: float | None
    u95_across_mm: float | None
    doubtful: bool = False


@dataclass(frozen=True)
class WasherSide:
    """The washer and one edge of the plate, mm.

    centred_mm : from the plate's edge to the washer's where the washer is centred on the bolt; negative: it hangs over
    near_mm : the least it leaves there in a place in which all of it surely lies on wood; None without such a place
    near_enough : whether one place in which all of it lies on wood brings it as near as the rules ask on the sheathed
    side; None without such a rule, and until it surely lies on wood
    """

    side: PlateSide
    centred_mm: float
    near_mm: float | None
    near_enough: Verdict | None


@dataclass(frozen=True)
class WasherMove:
    """The least move along the slot after which all of the washer surely lies on wood; lengths mm, square to the edges.

    least_mm, most_mm : the half-width is in both; 0 for the least where it lies so as it is centred
    toward : the edge it goes toward; None where either will do
    along : the end it goes toward by as much; None where either will do. Never None both
    """

    least_mm: float
    most_mm: float
    toward: PlateSide | None
    along: End | None


@dataclass(frozen=True)
class WasherFit:
    """One bolt's plate washer on the piece of top plate it lies on; lengths mm, half-widths of 95 % intervals.

    shift_mm : how far the slot lets it go toward an edge, and along the wall by as much
    move : None where no move within the slot is surely enough
    nearest, room_mm, room_u95_mm : the edge or end that it comes nearest to, moved as is best, and what it leaves
    there (to an end along the wall, by the foremost corner); negative: it hangs over
    on_wood : the verdict over both edges and both ends together
    """

    mark: str
    run: str
    piece: str
    line_side: WasherSide
    far_side: WasherSide
    u95_across_mm: float | None
    shift_mm: float
    move: WasherMove | None
    nearest: PlateSide | End
    room_mm: float
    room_u95_mm: float | None
    on_wood: Verdict

    @property
    def sides(self) -> tuple[WasherSide, WasherSide]:
        """The chalk-line side and the far side."""
        return self.line_side, self.far_side

    @property
    def near_enough(self) -> tuple[PlateSide, ...]:
        """The sides on which the washer's edge surely comes near enough to a sheathed edge."""
        return tuple(one.side for one in self.sides if one.near_enough == "meets")


def washer_fit(
    bolt: BoltAtNut,
    run: str,
    piece: Piece,
    plate_width_mm: float,
    washer: PlateWasherFigure,
    edge: LengthFigure | None,
) -> tuple[WasherFit, tuple[Check, ...]]:
    """Judge the washer of one bolt on the piece of top plate that its hole is in.

    edge : how far the washer's edge may be from the plate's sheathed edge; None where no rule says
    The checks are ``washer-on-wood`` (IRC 2018 to 2024 R602.11.1 for its size; all on wood: common practice, no source)
    and, where all of it surely lies on wood and there is an ``edge``, ``washer-edge`` (SDPWS 2008 to 2021,
    4.3.6.4.3); both with the interval's guard band.
    """
    half_mm, shift_mm = washer.side_mm / 2.0, washer.shift_mm(bolt.diameter_mm)
    u95_mm: dict[PlateSide | End, float | None] = {
        "chalk-line side": bolt.u95_across_mm,
        "far side": bolt.u95_across_mm,
        "low end": bolt.u95_low_mm,
        "high end": bolt.u95_high_mm,
    }
    rooms = rooms_of((bolt.station_mm, bolt.setback_mm), u95_mm, piece, plate_width_mm, half_mm)
    on_wood = _on_wood(rooms, shift_mm, plate_width_mm - washer.side_mm)
    near_by = edge if on_wood == "meets" else None
    least, room_mm = tightest(rooms, shift_mm, surely=on_wood != "does not")
    room_u95_mm = least.u95_mm
    if plate_width_mm < washer.side_mm:  # hung over wherever the bolt stands
        room_mm, room_u95_mm = (plate_width_mm - washer.side_mm) / 2.0, 0.0
    line, far = (_side(room, rooms, shift_mm, near_by) for room in rooms[:2])
    fit = WasherFit(
        bolt.mark,
        run,
        piece.name,
        line,
        far,
        bolt.u95_across_mm,
        shift_mm,
        _least_move(rooms, shift_mm),
        least.to,
        room_mm,
        room_u95_mm,
        on_wood,
    )
    on_wood_check = Check(
        "washer-on-wood",
        bolt.mark,
        on_wood,
        room_mm,
        room_u95_mm,
        0.0,
        _all_on_wood(washer.source),
        other=least.to,
        doubtful=bolt.doubtful,
    )
    return fit, (on_wood_check,) if near_by is None else (on_wood_check, _edge_check(bolt, fit, near_by))


def _any(rooms: Sequence[Room], shift_mm: float, *, surely: bool) -> bool:
    return any(span_mm(rooms, ray, shift_mm, surely=surely) is not None for ray in RAYS)


def _on_wood(rooms: Sequence[Room], shift_mm: float, spare_width_mm: float) -> Verdict:
    """Whether one place in the slot puts all of it on wood; on a plate narrower than the washer none does."""
    if spare_width_mm < 0.0 or not _any(rooms, shift_mm, surely=False):
        return "does not"
    return "meets" if _any(rooms, shift_mm, surely=True) else "cannot tell"


def _all_on_wood(source: Source) -> Source:
    """The size is the standard's; that all of it lies on wood is the trade's."""
    if source.sure == "crew":
        return source
    return replace(source, section=f"{source.section} for its size; all on wood: common practice, no source")


def _least_move(rooms: Sequence[Room], shift_mm: float) -> WasherMove | None:
    """Of the four rays the one with the least move; another that differs in one way only, and asks for no more, leaves
    that way open."""
    spans = {ray: span_mm(rooms, ray, shift_mm, surely=True) for ray in RAYS}
    found = {ray: span for ray, span in spans.items() if span is not None}
    if not found:
        return None
    first = min(found, key=lambda ray: found[ray][0])
    least_mm, most_mm = found[first]
    toward: PlateSide | None = "far side" if first.across > 0.0 else "chalk-line side"
    along: End | None = "high end" if first.along > 0.0 else "low end"
    for other in (Ray(-first.along, first.across), Ray(first.along, -first.across)):
        if other in found and found[other][0] <= least_mm + _SAME_MM:
            least_mm, most_mm = max(least_mm, found[other][0]), min(most_mm, found[other][1])
            along = None if other.across == first.across else along
            toward = None if other.along == first.along else toward
            break
    return WasherMove(least_mm, most_mm, toward, along)


def _side(room: Room, rooms: Sequence[Room], shift_mm: float, edge: LengthFigure | None) -> WasherSide:
    """One edge: ``room`` is the washer's to it, and one of ``rooms``."""
    spans = [(ray, span_mm(rooms, ray, shift_mm, surely=True)) for ray in RAYS]
    near_mm = min((room.moved_mm(ray, at_mm) for ray, span in spans if span for at_mm in span), default=None)
    near_enough: Verdict | None = None
    if edge is not None:
        near = (*rooms, room.up_to(edge.value_mm))
        near_enough = "cannot tell" if _any(near, shift_mm, surely=False) else "does not"
        near_enough = "meets" if _any(near, shift_mm, surely=True) else near_enough
    assert room.to == "chalk-line side" or room.to == "far side"
    return WasherSide(room.to, room.centred_mm, near_mm, near_enough)


def _edge_check(bolt: BoltAtNut, fit: WasherFit, edge: LengthFigure) -> Check:
    """On both sides it meets, on neither it does not; else it cannot be told without the sheathed side."""
    found = {one.near_enough for one in fit.sides}
    verdict: Verdict = "cannot tell"
    if found == {"meets"}:
        verdict = "meets"
    elif found == {"does not"}:
        verdict = "does not"
    nearer = min(fit.sides, key=lambda one: one.centred_mm if one.near_mm is None else one.near_mm)
    return Check(
        "washer-edge",
        bolt.mark,
        verdict,
        nearer.near_mm,
        fit.u95_across_mm,
        edge.value_mm,
        edge.source,
        bound="at most",
        other=nearer.side,
        doubtful=bolt.doubtful,
    )
