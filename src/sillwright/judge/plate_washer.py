"""The square plate washer of a seismic rule on the wood: does all of it lie there, and how near an edge can it come?

IRC R602.11.1 (2018 to 2024, from memory; the same wording was read in IBC 2006 2305.3.11) asks for steel at least
0.229 in by 3 in by 3 in between sill plate and nut. Its hole may be slotted diagonally: no more than 3/16 in wider than
the bolt and no more than 1 3/4 in long, with a standard cut washer under the nut. No section was read that says how
much of it must bear; that all of it lies on wood, over no edge, end or joint, is common practice, no source.

SDPWS 4.3.6.4.3 (2008 to 2021, second-hand) wants the washer's edge within 1/2 in of the plate's edge on the sheathed
side. Photos do not show the sheathing: each side is judged, and where one side holds and the other does not, which of
them is sheathed decides.

A washer lies on the top plate, so a bolt is judged where it comes out of it. In a slotted washer it may be moved toward
either edge, along the wall by as much, and the washer turned so that the two ways go together (``PlateWasherFigure``).
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace

from sillwright.judge.rules import LengthFigure, PlateWasherFigure, Source
from sillwright.judge.steps import End, Piece
from sillwright.judge.verdicts import Check, CheckKey, PlateSide, Verdict, verdict_of


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
    near_mm : the least that a washer on the wood leaves there, moved toward this edge as far as its slot lets it
    near_enough : ``near_mm`` against what the rules allow on the sheathed side; None without such a rule, and until the
    washer surely lies on the plate's width
    """

    side: PlateSide
    centred_mm: float
    near_mm: float
    near_enough: Verdict | None


@dataclass(frozen=True)
class WasherFit:
    """One bolt's plate washer on the piece of top plate it lies on; lengths mm, half-widths of 95 % intervals.

    shift_mm : how far the slot lets it go toward an edge
    move_mm, move_toward : how far it must go, its half-width included, so that it surely hangs over no edge; 0 where it
    does not as it is centred. None where no move within the slot is surely enough
    edge_room_mm : what is left to the nearer edge, moved away from it as far as it goes; negative: it hangs over
    end, end_room_mm, end_u95_mm : the piece's end it comes nearest to, and what it leaves there, moved as is best;
    negative: it hangs over
    on_wood : the verdict over both edges and both ends
    """

    mark: str
    run: str
    piece: str
    line_side: WasherSide
    far_side: WasherSide
    u95_across_mm: float | None
    shift_mm: float
    move_mm: float | None
    move_toward: PlateSide
    edge_room_mm: float
    end: End
    end_room_mm: float
    end_u95_mm: float | None
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
    The checks are ``washer-on-wood`` and, where the washer surely lies on the plate's width and there is an ``edge``,
    ``washer-edge``; both with the interval's guard band.
    """
    half_mm, shift_mm = washer.side_mm / 2.0, washer.shift_mm(bolt.diameter_mm)
    line_mm, far_mm = bolt.setback_mm - half_mm, plate_width_mm - bolt.setback_mm - half_mm
    across = _across(bolt, line_mm, far_mm, shift_mm, washer)
    end, end_mm, end_u95_mm = _nearest_end(bolt, piece, half_mm, list(_moves(bolt, line_mm, far_mm, shift_mm)))
    along = replace(across, verdict=verdict_of(end_mm, end_u95_mm, 0.0, "at least"))
    along = replace(along, measured_mm=end_mm, u95_mm=end_u95_mm, other=end)
    # One check a bolt: of the edges and the ends the one that fails, or else is in doubt, or is nearest.
    order: tuple[Verdict, ...] = ("does not", "cannot tell", "meets")
    on_wood = min((across, along), key=lambda one: (order.index(one.verdict), one.measured_mm or 0.0))
    u95_mm = bolt.u95_across_mm
    edge = edge if across.verdict == "meets" else None
    line = _side("chalk-line side", line_mm, shift_mm, u95_mm, edge)
    far = _side("far side", far_mm, shift_mm, u95_mm, edge)
    wanted_mm = None if u95_mm is None else max(u95_mm - min(line_mm, far_mm), 0.0)
    fit = WasherFit(
        bolt.mark,
        run,
        piece.name,
        line,
        far,
        u95_mm,
        shift_mm,
        wanted_mm if across.verdict == "meets" else None,
        "far side" if line_mm <= far_mm else "chalk-line side",
        across.measured_mm or 0.0,
        end,
        end_mm,
        end_u95_mm,
        on_wood.verdict,
    )
    return fit, (on_wood,) if edge is None else (on_wood, _edge_check(bolt, fit, edge))


def _across(bolt: BoltAtNut, line_mm: float, far_mm: float, shift_mm: float, washer: PlateWasherFigure) -> Check:
    """What is left to the nearer edge with the washer moved away from it; a plate narrower than the washer is hung over
    wherever the bolt stands."""
    near_mm, u95_mm = min(line_mm, far_mm) + shift_mm, bolt.u95_across_mm
    if line_mm + far_mm < 0.0:
        near_mm, u95_mm = (line_mm + far_mm) / 2.0, 0.0
    return Check(
        "washer-on-wood",
        bolt.mark,
        verdict_of(near_mm, u95_mm, 0.0, "at least"),
        near_mm,
        u95_mm,
        0.0,
        _all_on_wood(washer.source),
        other="chalk-line side" if line_mm <= far_mm else "far side",
        doubtful=bolt.doubtful,
    )


def _all_on_wood(source: Source) -> Source:
    """The size is the standard's; that all of it lies on wood is the trade's."""
    if source.sure == "crew":
        return source
    return replace(source, section=f"{source.section} for its size; all on wood: common practice, no source")


def _moves(bolt: BoltAtNut, line_mm: float, far_mm: float, shift_mm: float) -> Iterator[float]:
    """The least and the largest move toward the far edge, and (negative) toward the chalk line, that leave the washer
    surely on the plate's width; 0 alone where none does. What lies between is no better for an end: its line is
    straight."""
    u95_mm, found = bolt.u95_across_mm or 0.0, False
    for way, behind_mm, ahead_mm in ((1.0, line_mm, far_mm), (-1.0, far_mm, line_mm)):
        least_mm, most_mm = max(u95_mm - behind_mm, 0.0), min(shift_mm, ahead_mm - u95_mm)
        if least_mm <= most_mm:
            found = True
            yield way * least_mm
            yield way * most_mm
    if not found:
        yield 0.0


def _nearest_end(
    bolt: BoltAtNut, piece: Piece, half_mm: float, moves_mm: list[float]
) -> tuple[End, float, float | None]:
    """The end that the washer, moved as is best for it, comes nearest to; along the wall, by its foremost corner."""

    def room_mm(end: End, move_mm: float) -> float:
        way = 1.0 if end == "low end" else -1.0
        corners_mm = (bolt.setback_mm + move_mm + side * half_mm for side in (-1.0, 1.0))
        at_mm = bolt.station_mm + way * (abs(move_mm) - half_mm)
        return min(way * (at_mm - piece.end_at_mm(end, corner_mm)) for corner_mm in corners_mm)

    low_mm, high_mm = (max(room_mm(end, move_mm) for move_mm in moves_mm) for end in ("low end", "high end"))
    if low_mm <= high_mm:
        return "low end", low_mm, bolt.u95_low_mm
    return "high end", high_mm, bolt.u95_high_mm


def _side(
    side: PlateSide,
    room_mm: float,
    shift_mm: float,
    u95_mm: float | None,
    edge: LengthFigure | None,
) -> WasherSide:
    near_enough: Verdict | None = None
    if edge is not None:
        near_enough = verdict_of(room_mm - shift_mm, u95_mm, edge.value_mm, "at most")
    return WasherSide(side, room_mm, max(room_mm - shift_mm, 0.0), near_enough)


def _edge_check(bolt: BoltAtNut, fit: WasherFit, edge: LengthFigure) -> Check:
    """On both sides it meets, on neither it does not; else it cannot be told without the sheathed side."""
    found = {one.near_enough for one in fit.sides}
    verdict: Verdict = "cannot tell"
    if found == {"meets"}:
        verdict = "meets"
    elif found == {"does not"}:
        verdict = "does not"
    nearer = min(fit.sides, key=lambda one: one.centred_mm)
    key: CheckKey = "washer-edge"
    return Check(
        key,
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
