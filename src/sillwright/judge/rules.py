"""Rules for anchoring sill plates, as named sets of figures, each with the standard it comes from and how sure it is.

Every figure is a default that a crew may change (``judge/own_rules.py``): the code as adopted where the house stands,
the drawings and the engineer of record come first. None of a figure means "this set has no such rule". Nothing here
judges what a photo cannot show: embedment, concrete, treatment of the wood, torque.

How sure a figure is: ``read`` in an excerpt with the standard's own wording, ``second-hand`` from a source that states
it, ``memory`` where the standard's own page was not seen, ``crew`` where the crew set it. Editions were not compared
clause by clause: the IRC's base figures are the same from 2015 to 2024 by trade articles and inspectors' pages.

Not judged by: IRC R403.1.6.1 asks for 4 ft at most in seismic design categories D0 to D2 in houses over two storeys
(``spacing_tall_seismic``, which a seismic plan tells of), and NBC 9.23.6.1.(3) and (4) for more bolts where earthquake
or wind is strong. Both depend on more than a wall shows: a crew that builds under them sets ``spacing_largest``.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import Literal

from sillwright.errors import JobError
from sillwright.lengths import MM_PER_INCH

Sure = Literal["read", "second-hand", "memory", "crew"]

DEFAULT_RULE_SET = "irc-2021"


@dataclass(frozen=True)
class Source:
    """Where a figure comes from; ``section`` and ``edition`` are empty where the standard has none."""

    standard: str
    edition: str
    section: str
    sure: Sure


@dataclass(frozen=True)
class LengthFigure:
    """A length a rule names, in millimetres."""

    value_mm: float
    source: Source


@dataclass(frozen=True)
class DiametersFigure:
    """A length a rule names in diameters of the bolt."""

    diameters: float
    source: Source


@dataclass(frozen=True)
class CountFigure:
    """A number of bolts a rule names."""

    count: int
    source: Source


@dataclass(frozen=True)
class AcrossFigure:
    """The middle part of the plate's width that a bolt must lie in: 1/3 of the width for the middle third.

    The bolt's *centre* is judged. The IRC says that bolts lie in the middle third and not whether it means the centre
    or the whole shank; a hole is laid out and taped by its centre, and judging the shank would refuse a bolt that an
    inspector with a tape passes. For the whole shank take half a diameter off either side.
    """

    share: float
    source: Source

    def limits_mm(self, plate_width_mm: float) -> tuple[float, float]:
        """Least and largest distance of the bolt's centre from an edge of the plate, in mm."""
        return plate_width_mm * (1.0 - self.share) / 2.0, plate_width_mm * (1.0 + self.share) / 2.0


@dataclass(frozen=True)
class PlateWasherFigure:
    """The square steel washer between plate and nut that a seismic rule asks for, in millimetres; the least size.

    slot_over_mm, slot_length_mm : a diagonal slot may be wider than the bolt by so much, and so long from end to end; a
    standard cut washer then goes between plate washer and nut. A length of 0 is a plain round hole
    """

    side_mm: float
    thickness_mm: float
    slot_over_mm: float
    slot_length_mm: float
    source: Source

    def shift_mm(self, diameter_mm: float) -> float:
        """How far a slotted washer surely goes toward an edge from where it is centred on a bolt of this diameter.

        The bolt's middle travels (slot length - diameter) / 2 along the slot, and 1/sqrt(2) of that square to an edge,
        the slot lying at 45 degrees (geometry). What a slot wider than the bolt gives sideways is not counted: the rule
        says how wide it may be and not how wide it is.
        """
        return max(self.slot_length_mm - diameter_mm, 0.0) / 2.0 * math.sqrt(0.5)


@dataclass(frozen=True)
class RuleSet:
    """One set of rules; lengths in mm, None where the set has no such rule.

    spacing_tall_seismic : and in a house over two storeys in seismic country; told, not judged by
    end_largest : at each end of a piece one bolt lies no farther from the end than this
    end_least : and that bolt no nearer than this
    hole_over_least, hole_over_largest : how much larger than the bolt's nominal diameter the hole is drilled
    plate_washer : asked for only where ``seismic`` is set (see :meth:`plate_washer_asked`)
    plate_washer_edge : and then, how far its edge may be from the sheathed edge of the plate
    plate_edge_least : from the bolt's centre to either edge of the plate (see :meth:`plate_edge_asked`)
    concrete_edge_least : from the bolt's centre to an edge of the concrete that runs along the plate
    overhang_largest, bearing_least : how far a plate may hang over the concrete, and how much of its width must lie on
    it. No figure was found in the IRC; inspectors hold anything from none to the plate's thickness. The crew sets them.
    short_wall_one_bolt, short_wall_no_bolt : a wall up to so long, between offset braced wall panels, needs one bolt in
    the middle third of its length, or none; it is then fastened to its neighbours at the corners
    """

    name: str
    bolt_diameter_least: LengthFigure | None = None
    spacing_largest: LengthFigure | None = None
    spacing_tall_seismic: LengthFigure | None = None
    end_largest: LengthFigure | None = None
    end_least: LengthFigure | DiametersFigure | None = None
    bolts_least: CountFigure | None = None
    across: AcrossFigure | None = None
    hole_over_least: LengthFigure | None = None
    hole_over_largest: LengthFigure | None = None
    plate_washer: PlateWasherFigure | None = None
    plate_washer_edge: LengthFigure | None = None
    plate_edge_least: LengthFigure | DiametersFigure | None = None
    concrete_edge_least: LengthFigure | None = None
    overhang_largest: LengthFigure | None = None
    bearing_least: LengthFigure | None = None
    short_wall_one_bolt: LengthFigure | None = None
    short_wall_no_bolt: LengthFigure | None = None
    seismic: bool = False

    def end_least_mm(self, diameter_mm: float) -> float | None:
        """The least end distance for a bolt of this nominal diameter, whichever way the set names it."""
        return _least_mm(self.end_least, diameter_mm)

    def largest_hole_mm(self, diameter_mm: float) -> float | None:
        """The largest hole this set allows for a bolt of this nominal diameter."""
        return None if self.hole_over_largest is None else diameter_mm + self.hole_over_largest.value_mm

    @property
    def plate_edge_asked(self) -> LengthFigure | DiametersFigure | None:
        """The least edge distance where this set judges by it: the middle part of the width is always the narrower one,
        unless the crew set the edge distance itself."""
        figure = self.plate_edge_least
        return figure if figure is None or self.across is None or figure.source.sure == "crew" else None

    def plate_edge_mm(self, diameter_mm: float) -> float | None:
        """The same in mm for a bolt of this nominal diameter."""
        return _least_mm(self.plate_edge_asked, diameter_mm)

    @property
    def plate_washer_asked(self) -> PlateWasherFigure | None:
        """The plate washer where this set asks for one on this job, else None."""
        return self.plate_washer if self.seismic else None


def _least_mm(figure: LengthFigure | DiametersFigure | None, diameter_mm: float) -> float | None:
    """A least distance in mm for a bolt of this nominal diameter, whichever way it is named."""
    if isinstance(figure, DiametersFigure):
        return figure.diameters * diameter_mm
    return None if figure is None else figure.value_mm


def _inches(inches: float, source: Source) -> LengthFigure:
    return LengthFigure(inches * MM_PER_INCH, source)


# NDS 12.1.3.2 (2015 to 2024; 11.1.3.2 before): 1/32 to 1/16 in over, no forced fit.
_NDS_HOLE = Source("NDS", "2015 to 2024", "12.1.3.2", "second-hand")

# NDS Table 12.5.1C, load along the grain (bolts up to 6 diameters long in the wood) or away from that edge; an edge
# loaded across the grain, as a plate's is by wind or soil square to the wall, asks for 4 diameters, which is the
# engineer's to judge.
_NDS_EDGE = DiametersFigure(1.5, Source("NDS", "2015 to 2024", "Table 12.5.1C", "memory"))

# Written for shear walls; by memory only for those of more than 400 lb/ft, and not where hold-downs alone carry
# overturning.
_SDPWS_EDGE = Source("SDPWS", "2008 to 2021", "4.3.6.4.3", "second-hand")


def _irc(edition: str) -> RuleSet:
    """IRC R403.1.6: wording read in older editions; that 2018 to 2024 keep the figures is second-hand."""
    base = Source("IRC", edition, "R403.1.6", "second-hand")
    short_wall = Source("IRC", edition, "R403.1.6, exceptions", "memory")
    return RuleSet(
        name=f"irc-{edition}",
        bolt_diameter_least=_inches(0.5, base),
        spacing_largest=_inches(72.0, base),
        spacing_tall_seismic=_inches(48.0, Source("IRC", edition, "R403.1.6.1", "memory")),
        end_largest=_inches(12.0, base),
        end_least=DiametersFigure(7.0, base),
        bolts_least=CountFigure(2, base),
        across=AcrossFigure(1.0 / 3.0, base),
        hole_over_least=_inches(1.0 / 32.0, _NDS_HOLE),
        hole_over_largest=_inches(1.0 / 16.0, _NDS_HOLE),
        # SDC D0 to D2, and townhouses in C. The wording was read in IBC 2006 2305.3.11.
        plate_washer=_plate_washer(Source("IRC", edition, "R602.11.1", "memory")),
        plate_washer_edge=_inches(0.5, _SDPWS_EDGE),
        plate_edge_least=_NDS_EDGE,
        short_wall_one_bolt=_inches(24.0, short_wall),
        short_wall_no_bolt=_inches(12.0, short_wall),
    )


def _plate_washer(source: Source) -> PlateWasherFigure:
    side, thickness, slot_over, slot_length = (MM_PER_INCH * inch for inch in (3.0, 0.229, 3.0 / 16.0, 1.75))
    return PlateWasherFigure(side, thickness, slot_over, slot_length, source)


def _ibc_2308() -> RuleSet:
    """IBC conventional light-frame construction; no middle-third rule was read for it.

    The distance to the concrete's edge is a condition for doing without a full anchor design (ACI 318), not a rule of
    2308; a bolt nearer the edge is one for the engineer.
    """
    base = Source("IBC", "2015 and 2018", "2308.3.1", "second-hand")
    memory = Source("IBC", "2015 and 2018", "2308.3.1", "memory")
    return RuleSet(
        name="ibc-2308",
        bolt_diameter_least=_inches(0.5, memory),
        spacing_largest=_inches(72.0, memory),
        end_largest=_inches(12.0, base),
        end_least=_inches(4.0, base),
        bolts_least=CountFigure(2, memory),
        hole_over_least=_inches(1.0 / 32.0, _NDS_HOLE),
        hole_over_largest=_inches(1.0 / 16.0, _NDS_HOLE),
        plate_washer=_plate_washer(Source("IBC", "2006", "2305.3.11", "read")),
        plate_washer_edge=_inches(0.5, _SDPWS_EDGE),
        plate_edge_least=_NDS_EDGE,
        concrete_edge_least=_inches(1.75, Source("IBC, for ACI 318", "2012 to 2018", "1905.1.8", "memory")),
    )


def _nbc_2020() -> RuleSet:
    """Canada's basic rule: no end distance, no two bolts a piece, no middle third (absent in the text read)."""
    base = Source("NBC", "2020; read in 2010 and 2015", "9.23.6.1.(2)", "second-hand")
    return RuleSet(
        name="nbc-2020",
        bolt_diameter_least=LengthFigure(12.7, base),
        spacing_largest=LengthFigure(2400.0, base),
        plate_edge_least=_NDS_EDGE,
    )


RULE_SETS: dict[str, RuleSet] = {
    rules.name: rules for rules in (_irc("2021"), _irc("2018"), _irc("2024"), _ibc_2308(), _nbc_2020())
}


def rule_set(name: str = DEFAULT_RULE_SET, *, seismic: bool = False) -> RuleSet:
    """The named set; ``seismic`` where the job asks for plate washers (SDC D0 to D2, townhouses in C).

    Raises JobError, listing the names, where there is no such set.
    """
    if name not in RULE_SETS:
        raise JobError(f"{name!r} is not a rule set. There are {', '.join(RULE_SETS)}: use one of these names.")
    return replace(RULE_SETS[name], seismic=seismic)
