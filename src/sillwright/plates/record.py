"""The plan of a job's plates as data: what ``plates.json`` holds, and what every sheet is drawn from.

Lengths are millimetres, angles degrees; ``u95`` are half-widths of 95 % intervals. Along a run X is station, the
plate's chalk-line edge is Y = 0 and its other edge Y = the plate's width. Pieces are measured from their *low end*, the
end at the lower station, along the chalk-line edge. Codes are machine words; sentences are made in ``tell``.
"""

from __future__ import annotations

import hashlib
from dataclasses import dataclass, field
from typing import Literal

from sillwright.judge.line_shift import ShiftAdvice
from sillwright.judge.passes import Passing
from sillwright.judge.plate_washer import WasherFit
from sillwright.judge.rules import PlateWasherFigure, Source
from sillwright.judge.verdicts import Check
from sillwright.plates.corners import Joint, PlateEnd, Turn
from sillwright.plates.findings import PlanFinding
from sillwright.plates.levels import LevelPoint, Shim
from sillwright.plates.piece import HoleDoubt, PlatePiece
from sillwright.plates.shopping import ShoppingLine
from sillwright.plates.splice import SplicePlan
from sillwright.plates.square import Closure, Diagonal, DiagonalCheck, Squareness
from sillwright.plates.stock import CutList
from sillwright.survey import Status, Survey

SCHEMA = "sillwright-plates-1"

PlanStatus = Literal["ok", "check", "not planned"]
EndKind = Literal["corner", "station", "wall end", "not said"]
RULE_KEYS = (
    "bolt_diameter_least", "spacing_largest", "end_largest", "end_least", "bolts_least", "across", "hole_over_least",
    "hole_over_largest", "plate_washer", "plate_washer_edge", "plate_edge_least",
    "concrete_edge_least", "overhang_largest", "bearing_least", "short_wall_one_bolt", "short_wall_no_bolt",
    "spacing_tall_seismic",
)  # fmt: skip


@dataclass(frozen=True)
class RuleFigure:
    """One figure that was judged by, under its name in ``RuleSet``; one of the three values is given.

    value_mm : a length; a figure in bolt diameters is given for the job's bolt, a plate washer by its side
    share : of the plate's width
    """

    key: str
    source: Source
    value_mm: float | None = None
    count: int | None = None
    share: float | None = None


@dataclass(frozen=True)
class RulesUsed:
    """The rule set, and every figure of it that there is; a figure the crew set has ``crew`` as its source.

    plate_washer : the whole of that figure where this job asks for plate washers
    """

    name: str
    seismic: bool
    figures: tuple[RuleFigure, ...]
    plate_washer: PlateWasherFigure | None = None


@dataclass(frozen=True)
class Photos:
    """What the plan rests on in the end.

    fingerprint_sha256 : SHA-256 of the photos' own SHA-256 as survey.json holds them, in its order, one a line, each
    line ended by a line feed; photos without one (files that could not be read) are left out
    """

    count: int
    used: int
    fingerprint_sha256: str

    @classmethod
    def of(cls, survey: Survey) -> Photos:
        """The photos of a record."""
        hashes = "".join(f"{photo.sha256}\n" for photo in survey.photos if photo.sha256)
        used = sum(photo.used for photo in survey.photos)
        return cls(len(survey.photos), used, hashlib.sha256(hashes.encode("utf-8", "replace")).hexdigest())


@dataclass(frozen=True)
class Lumber:
    """The plates and how they go down: sizes, the hole to drill, and the marks that lengths are taped to."""

    width_mm: float
    thickness_mm: float
    layers: int
    sealer_mm: float
    kerf_mm: float
    mark_mm: float
    drill_mm: float
    bolt: str
    bolt_diameter_mm: float
    stock_mm: tuple[float, ...]
    stagger_mm: float


@dataclass(frozen=True)
class LayerEnd:
    """How one layer of a run ends; stations along the run.

    station_mm, far_station_mm : on the chalk-line edge and on the other; the first is moved to the nearest mark, by
    ``rounded_mm``, and the second with it
    long_point_mm, short_point_mm : of these two the one that reaches farther out, and the other
    cut_deg : off square, positive where the edge away from the chalk line is the longer one; saw_deg is what the saw is
    set to, 0 for a square cut
    cut_u95_deg, moved_by_angle_mm : how far cut and place may move within the corner's interval; None where not known
    u95_mm : half-width of its place on the chalk-line edge, by the corner's angle and where the lines cross, the print
    scale left out; None where not known, and at an end whose station is stated
    """

    layer: int
    joint: Literal["mitre", "through", "butt", "square"]
    station_mm: float
    far_station_mm: float
    long_point_mm: float
    short_point_mm: float
    cut_deg: float
    saw_deg: float
    rounded_mm: float
    cut_u95_deg: float | None
    moved_by_angle_mm: float | None
    status: Status
    u95_mm: float | None = None

    @classmethod
    def of(cls, end: PlateEnd, rounded_mm: float = 0.0) -> LayerEnd:
        """The same end moved along by ``rounded_mm``."""
        return cls(
            end.layer,
            end.joint,
            end.station_mm + rounded_mm,
            end.far_station_mm + rounded_mm,
            end.long_point_mm + rounded_mm,
            end.short_point_mm + rounded_mm,
            end.cut_deg,
            end.saw_deg,
            rounded_mm,
            end.cut_u95_deg,
            end.moved_by_angle_mm,
            end.status,
            end.u95_mm,
        )


@dataclass(frozen=True)
class RunEnd:
    """One end of a run: what it is, who said so, and how each layer ends there; no layers where it is not known.

    other : the run it meets, at a corner
    """

    end: Literal["low", "high"]
    kind: EndKind
    said_by: Literal["job file", "survey", ""]
    other: str = ""
    layers: tuple[LayerEnd, ...] = ()


@dataclass(frozen=True)
class HolePlan:
    """The hole of one bolt in one piece, to the nearest mark; ``Hole`` in the piece holds the same numbers.

    station_mm, setback_mm : of the mark, in the frame of the *piece's* run
    """

    piece: str
    run: str
    layer: int
    station_mm: float
    setback_mm: float
    from_low_end_mm: float
    from_line_mm: float


@dataclass(frozen=True)
class BoltPlan:
    """One bolt of the record, and what is to be done about it.

    status, reasons : the record's own, reasons as codes
    under_run : the run whose first plate goes over it: its own, or its neighbour's at a corner; empty where none does
    passing : does the plate go down over it, and how far must its tip come; where its holes go is in ``holes`` alone
    checks : every rule held against this bolt, stick-up among them, in the frame of ``under_run``
    straighten_first : its holes are where it will stand once it is straightened: over its foot
    doubts : why not to drill before taping; the same codes as on its holes
    mark_within_mm : how far its holes may be drilled from their marks, whichever way, for the plate still to go down:
    half of what the hole is larger than the bolt, less what lean, half-widths and rounding take (``judge/room.py``); of
    a bolt to be straightened as if plumb; 0 where nothing is left, None where a width or the lean is not known
    u95_along_mm, u95_across_mm : of the mark, its rounding included
    washer : its plate washer on the top plate, where the rules ask for one and it has a hole there
    """

    mark: str
    status: Status
    reasons: tuple[str, ...]
    station_mm: float | None
    setback_mm: float | None
    station_u95_mm: float | None
    setback_u95_mm: float | None
    diameter_mm: float
    under_run: str
    passing: Passing
    checks: tuple[Check, ...]
    straighten_first: bool
    holes: tuple[HolePlan, ...]
    doubts: tuple[HoleDoubt, ...]
    u95_along_mm: float | None
    u95_across_mm: float | None
    mark_within_mm: float | None
    washer: WasherFit | None = None


@dataclass(frozen=True)
class PlannedPiece:
    """One piece with its lengths written out, the stock it needs at least, and the rules held against it.

    stock_mm : the shortest stock that serves the piece alone; the cut lists may take it from a longer one
    line_edge_mm, far_edge_mm, longest_mm : along the chalk-line edge, the other edge, and from long point to long point
    checks : of a first-layer piece; none of the layers above, which the same bolts hold
    """

    plate: PlatePiece
    line_edge_mm: float
    far_edge_mm: float
    longest_mm: float
    stock_mm: float
    checks: tuple[Check, ...] = ()


@dataclass(frozen=True)
class RunPlan:
    """One run. Where it could not be planned it has no pieces, and ``findings`` of the plan say why.

    left_handed : whether the plate lies to the right of its line for who looks toward higher stations; None unknown
    zero_card : the card whose zero mark is station 0
    splices : one plan a layer, from the concrete up
    overhang : the plate against the foundation's faces
    length_u95_mm : half-width of the plates' length between both ends on the chalk-line edge, that of the layer it is
    largest of: the print scale over it and both ends' own, these summed; None where no end is a corner, or one is not
    known
    """

    name: str
    status: PlanStatus
    survey_status: Status
    survey_reasons: tuple[str, ...]
    left_handed: bool | None
    zero_card: int | None
    line_marks: Literal["outside", "inside"]
    line_color: str | None
    begins: RunEnd
    ends: RunEnd
    bolts: tuple[BoltPlan, ...]
    pieces: tuple[PlannedPiece, ...]
    splices: tuple[SplicePlan, ...]
    overhang: tuple[Check, ...]
    line_shift: ShiftAdvice | None
    shims: tuple[Shim, ...]
    length_u95_mm: float | None = None

    @property
    def first_low_mm(self) -> float:
        """The station of the first plate's low end on the chalk-line edge, 0 where there is none: shims and anchors to
        add are told from it, since at a butted corner the plates above begin elsewhere."""
        return min((piece.plate.low_mm for piece in self.pieces if piece.plate.layer == 1), default=0.0)


@dataclass(frozen=True)
class CornerPlan:
    """One corner as measured and as jointed; ``through`` is the run that runs through in the first layer.

    station_mm, station_u95_mm : by run, where the two chalk lines cross, and its half-width (see ``corners.py``)
    """

    runs: tuple[str, str]
    angle_deg: float | None
    u95_deg: float | None
    status: Status
    reasons: tuple[str, ...]
    joint: Joint
    through: str | None
    turn: Turn | None
    station_mm: dict[str, float] = field(default_factory=dict)
    station_u95_mm: dict[str, float | None] = field(default_factory=dict)


@dataclass(frozen=True)
class LevelFacts:
    """All readings as heights from the highest point of the job, and how far the lowest lies below it."""

    points: tuple[LevelPoint, ...]
    high: LevelPoint
    low: LevelPoint
    fall_mm: float
    fall_u95_mm: float
    within_mm: float


@dataclass(frozen=True)
class OutlineFacts:
    """The outline as taped; corner n is where wall n begins.

    consistent, suspects : whether the readings agree with each other, and which may be the wrong one (``1 to 2`` a
    taped length, ``2`` an angle); None where nothing checks anything
    """

    walls: tuple[str, ...]
    closure: Closure | None
    consistent: bool | None
    suspects: tuple[str, ...]
    diagonals: tuple[Diagonal, ...]
    diagonal_check: DiagonalCheck | None
    squareness: tuple[Squareness, ...]


@dataclass(frozen=True)
class CutPlan:
    """The cut list of one kind of lumber."""

    treated: bool
    cuts: CutList
    bought_mm: float
    waste_mm: float


@dataclass(frozen=True)
class PlatesPlan:
    """The whole plan. ``status`` is ok where no finding asks for a decision.

    date : when it was made, as ISO 8601 writes a day
    cut_lists : treated stock (the first layer) and untreated, in this order, as far as there is any
    software, libraries : what planned it; no libraries in plans older than that key
    """

    schema: str
    job: str
    date: str
    software: str
    status: PlanStatus
    rules: RulesUsed
    photos: Photos
    lumber: Lumber
    runs: tuple[RunPlan, ...]
    corners: tuple[CornerPlan, ...]
    cut_lists: tuple[CutPlan, ...]
    shopping: tuple[ShoppingLine, ...]
    levels: LevelFacts | None
    outline: OutlineFacts | None
    findings: tuple[PlanFinding, ...]
    libraries: dict[str, str] = field(default_factory=dict)

    @property
    def pieces(self) -> tuple[PlatePiece, ...]:
        """Every piece of every run."""
        return tuple(piece.plate for run in self.runs for piece in run.pieces)

    @property
    def sticks_mm(self) -> dict[str, float]:
        """By the name of each piece, how long the stick is that the cut lists take it from."""
        sticks = (stick for cut in self.cut_lists for stick in cut.cuts.stocks)
        return {piece.name: stick.length_mm for stick in sticks for piece in stick.pieces}
