"""What is to be said of a plan, as codes: what could not be worked out, and what somebody must decide first.

``tell/plate_findings.py`` has the sentence for each.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from sillwright.plates.splice_findings import SpliceCode

Weight = Literal["decide", "note"]
PlanCode = Literal[
    # of a run's ends and corners
    "end-not-said",  # nothing says where the plate ends: ``key`` is what to write
    "corner-not-usable",  # a corner that was not measured, or whose turn is not known; ``told`` says why
    "corner-check",  # the corner is ``check`` in the record
    "length-unsure",  # the run's print scale leaves the length to a corner open by ``value_mm``
    "crossing-unsure",  # where the lines cross, and the angle, leave it open by ``value_mm``
    "mitre-not-lapped",  # both layers are mitred at one place, so that nothing laps over the corner
    # of a run
    "run-reshoot",  # nothing of the run can be relied on
    "run-check",  # the run has doubts of its own in the record: ``facts``
    # of bolts
    "bolt-reshoot",  # no numbers to rely on: no hole
    "bolt-check",  # a hole from numbers that the record doubts
    "bolt-engineer",  # bent, damaged, off the plate or past bending: no hole
    "bolt-cannot-tell",  # whether it passes cannot be told
    "nut-unsure",  # it passes its hole; whether a nut bears flat on it cannot be told
    "bolt-straighten",  # straighten it before the plate goes on
    "bolt-beyond-plate",  # no plate goes over it
    "bolt-left-out",  # not counted on for joints
    "bolt-fails-rule",  # a rule that is not met: ``rule``
    "bolt-rule-unsure",  # a rule that cannot be told
    "washer-hangs-over",  # a plate washer that does not lie wholly on the wood
    "washer-unsure",  # or perhaps not
    "washer-far-from-edge",  # its edge comes within ``value_mm`` of neither edge of the plate
    "washer-edge-unsure",  # or perhaps
    "washer-one-side",  # of one only: is that the sheathed one?
    "cut-washer-hangs-over",  # a cut washer that does not lie wholly between the plate's edges
    "cut-washer-unsure",  # or perhaps not
    "plate-washers-overlap",  # of two neighbours, where both are centred, by ``value_mm``; or perhaps, where it is None
    "washers-overlap",  # the same of cut washers
    "hole-tolerance",  # lean, u95 and rounding may take more than half the clearance
    "hole-off-piece",  # a hole that runs off its piece: it is not marked; in every layer where ``layer`` is None
    "holes-too-near",  # two holes of one piece overlap, or leave ``value_mm`` of wood between them: too little
    "holes-larger-than-rule",  # the drill is larger than the rule set allows
    "holes-smaller-than-rule",
    # of pieces and runs against rules
    "no-bolt-under-plate",  # a planned plate over which no bolt can be counted on: every anchor is to be added
    "piece-fails-rule",
    "piece-rule-unsure",
    "overhang-fails-rule",
    "overhang-unsure",
    "overhang-not-seen",  # an edge of the concrete was not seen along the runs in ``facts``
    "overhang-no-limit",  # there is or may be one, and nobody says how much is allowed
    "line-shift-helps",  # another chalk line brings in more bolts
    # of levels
    "levels-missing",  # other runs have readings, this one has none
    "shim-engineer",  # gaps past what shims should carry
    "shim-grout",
    "shim-not-read",
    "shim-unsure",
    "not-level-one-plate",  # the wall falls by more than the tolerance, and there is no second plate to shim under
    # of the outline
    "outline-not-worked-out",  # ``told`` says what is missing
    "outline-inconsistent",
    "corner-out-of-square",
    "corner-square-unsure",  # whether it is cannot be told
    # of the whole job
    "seismic-no-figure",  # seismic is asked for, and the rule set ``told`` has no plate washer
    "seismic-tall-house",  # spacing in a house over two storeys is ``value_mm`` at most, and is not judged by that
    "cut-list-not-proven",
]


@dataclass(frozen=True)
class PlanFinding:
    """One thing to be said: its code, what it speaks of, and whether it asks for a decision.

    corner : its two runs
    rule : the ``CheckKey`` of the rules it is about
    key : what to write in the job file
    told : an error's own sentence, where one stands behind it, or the name of a rule set
    value_mm, to_value_mm : the length it is about; of another chalk line how far over it is at the run's low end and at
    its high end, positive toward the plate's side
    facts : codes of the record, corners of the outline, or names of runs
    to_station_mm : where it ends, of a stretch between two stations
    hangs : of bolts to be shot again, or whose place is not known: the ``CheckKey`` of each rule, and ``joints``, that
    cannot be told before
    """

    code: PlanCode | SpliceCode
    weight: Weight = "decide"
    run: str = ""
    corner: tuple[str, ...] = ()
    marks: tuple[str, ...] = ()
    piece: str = ""
    layer: int | None = None
    station_mm: float | None = None
    value_mm: float | None = None
    count: int | None = None
    rule: str = ""
    key: str = ""
    told: str = ""
    facts: tuple[str, ...] = ()
    to_station_mm: float | None = None
    hangs: tuple[str, ...] = ()
    to_value_mm: float | None = None
