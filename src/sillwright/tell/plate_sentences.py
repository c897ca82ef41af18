"""The sentence of each finding of a plan, with places to fill; ``plate_findings`` fills them."""

from __future__ import annotations

from sillwright.judge.verdicts import CheckKey
from sillwright.plates.findings import PlanCode
from sillwright.plates.splice_findings import SpliceCode

RULE_WORDS: dict[CheckKey, str] = {
    "bolt-diameter": "the least bolt diameter",
    "spacing": "the largest spacing of bolts",
    "end-largest": "the largest distance of a bolt from the plate's end",
    "end-least": "the least distance of a bolt from the plate's end",
    "bolts-a-piece": "the least number of bolts in a piece",
    "short-wall-middle": "the middle of a short wall",
    "across": "the middle part of the plate's width",
    "plate-edge": "the least distance from the plate's edge",
    "concrete-edge": "the least distance from the concrete's edge",
    "overhang": "the plate's overhang past the concrete",
    "bearing": "the plate's bearing on the concrete",
    "stick-up": "the stick-up that plates, washers and nut need",
    "washer-on-wood": "the plate washer with all of it on wood",
    "washer-edge": "the plate washer's edge from the plate's sheathed edge",
    "cut-washer": "the cut washer with all of it on wood",
}

# What it says, and what to do. ``{name|fallback}`` is filled from the finding; ``{marks?is/are}`` goes by how many.
PLAN_SENTENCES: dict[PlanCode | SpliceCode, tuple[str, str]] = {
    "end-not-said": (
        "nothing says where the plate {ends|ends}, so the run is not planned{near|}",
        'write {key|[run.begins] or [run.ends]} under the run in job.toml with corner = "the other run", station = '
        '"12 ft 3 in" or wall_end = "12 ft 3 in"',
    ),
    "corner-not-usable": (
        "the corner of {corner|two runs} cannot be cut to. {told|It was not measured}",
        "until then the runs that end there are not planned",
    ),
    "corner-check": (
        "the corner of {corner|two runs} is in doubt{because|}",
        "look at its reasons on the measuring sheet and check the angle before cutting",
    ),
    "length-unsure": (
        "how true the cards were printed leaves the length to the corner open by {value|some}",
        "tape the wall before cutting, or tape between two cards, write {key|[[run.tape]]} and measure again",
    ),
    "crossing-unsure": (
        "where the chalk lines cross, and at what angle, leaves the length to the corner open by {value|some}",
        "tape the wall from the other end to the corner before cutting, and cut to that",
    ),
    "mitre-not-lapped": (
        "both plates are mitred at one place at the corner of {corner|two runs}, and nothing laps over it",
        'tie the corner as the drawings say, or write joint = "butt" to lap the second plate over the first',
    ),
    "run-reshoot": ("nothing of this run can be relied on, so it is not planned", "shoot it again and measure again"),
    "run-check": (
        "the measuring sheet has doubts about this run{because|}",
        "read them there before anything is cut",
    ),
    "bolt-reshoot": (
        "{marks|a bolt} {marks?was/were} not measured, and no hole is marked{hangs|}",
        "shoot {marks?it/them} again, or tape {marks?it/them}",
    ),
    "bolt-check": (
        "{marks|a bolt} {marks?is/are} in doubt on the measuring sheet{because|}",
        "put a tape on {marks?it/them} before drilling",
    ),
    "bolt-engineer": (
        "{marks|a bolt} {marks?is/are} not to be drilled for as {marks?it stands/they stand}{because|}",
        "this is for the engineer; no hole is marked",
    ),
    "bolt-cannot-tell": (
        "whether the plate goes down over {marks|a bolt} cannot be told{because|}",
        "look at {marks?it/them} and try the plate before drilling",
    ),
    "nut-unsure": (
        "whether a nut bears flat on {marks|a bolt} cannot be told within the ± of {marks?its/their} lean; the "
        "{marks?hole is/holes are} right as {marks?it stands/they stand}",
        "try a nut on {marks?it/them}, and where it does not sit flat ask whether a tapered washer may go under it",
    ),
    "bolt-straighten": (
        "{marks|a bolt} {marks?leans/lean} too far for a hole of this size, or for a nut to bear flat",
        "holes go over the foot, so straighten {marks?it/them} first, and ask before bending: no source sets a "
        "limit for it",
    ),
    "bolt-beyond-plate": (
        "no piece of the {layer|plate} goes over {marks|a bolt}",
        "check where the run begins and ends; a bolt that no plate covers is one for the engineer",
    ),
    "bolt-left-out": (
        "joints were planned without {marks|a bolt}{because|}, which cannot be counted on{hangs|}",
        "settle {marks?it/them} and plan again before cutting",
    ),
    "bolt-fails-rule": (
        "{marks|a bolt} {marks?does/do} not meet {rule|a rule}",
        "ask the engineer or the building official",
    ),
    "bolt-rule-unsure": (
        "whether {marks|a bolt} {marks?meets/meet} {rule|a rule} cannot be told within the ±",
        "put a tape on {marks?it/them}",
    ),
    "washer-hangs-over": (
        "the plate {marks?washer/washers} of {marks|a bolt} {marks?hangs/hang} over the wood, moved as far "
        "as {marks?it goes/they go}",
        "see under plate washers where and how much, and ask the engineer",
    ),
    "washer-unsure": (
        "whether the plate {marks?washer/washers} of {marks|a bolt} {marks?lies/lie} wholly on wood cannot "
        "be told within the ±",
        "tape {marks?it/them} square from the chalk line, and from the ends of the top plate",
    ),
    "washer-far-from-edge": (
        "the plate {marks?washer/washers} of {marks|a bolt} {marks?comes/come} within "
        "{limit|the rule's distance} of neither edge of the plate",
        "where the wall is a shear wall that asks for it, ask the engineer for a wider washer or another anchor",
    ),
    "washer-edge-unsure": (
        "whether the plate {marks?washer/washers} of {marks|a bolt} {marks?comes/come} within "
        "{limit|the rule's distance} of an edge of the plate "
        "cannot be told within the ±",
        "tape {marks?it/them} square from the chalk line",
    ),
    "washer-one-side": (
        "the plate {marks?washer/washers} of {marks|a bolt} surely {marks?comes/come} within "
        "{limit|the rule's distance} of one edge of the plate "
        "only, named under plate washers",
        "see that this is the sheathed side, and ask the engineer where it is not",
    ),
    "cut-washer-hangs-over": (
        "the cut {marks?washer/washers} of {marks|a bolt} {marks?hangs/hang} over the plate's edge",
        "ask the engineer what holds the plate there",
    ),
    "cut-washer-unsure": (
        "whether the cut {marks?washer/washers} of {marks|a bolt} {marks?lies/lie} wholly within the plate's edges "
        "cannot be told within the ±",
        "tape {marks?it/them} square from the chalk line",
    ),
    "plate-washers-overlap": (
        "the plate washers of {marks|two bolts} {overlap|may lie over each other} where both are centred",
        "see whether they lie clear moved apart in their slots, all of both on wood, and if not ask the engineer",
    ),
    "washers-overlap": (
        "the cut washers of {marks|two bolts} {overlap|may lie over each other}",
        "ask the engineer which bolt is to hold",
    ),
    "hole-tolerance": (
        "lean, ± and rounding of {marks|a bolt} may take more than {play|the play that the hole leaves each way}",
        "tape {marks?it/them} before drilling, or have a larger hole approved and write it under [layout] as hole_over",
    ),
    "hole-off-piece": (
        "the hole of {marks|a bolt} would run off its piece of the {layer|plate}, and is not marked",
        "check the bolt and where the plates meet",
    ),
    "holes-too-near": (
        "the holes of {marks|two bolts} in {piece|one piece of plate} leave {value|no wood} between them",
        "ask the engineer which bolt is to hold before drilling either",
    ),
    "holes-larger-than-rule": (
        "holes are larger than the rule set allows{over|}",
        "have it approved, or change {key|[layout] hole_over}",
    ),
    "holes-smaller-than-rule": (
        "holes are smaller than the rule set asks{over|}",
        "change {key|[layout] hole_over}",
    ),
    "no-bolt-under-plate": (
        "no bolt that can be counted on stands under the {layer|plate}",
        "check where the run begins and ends, and settle its bolts, before anything is cut",
    ),
    "piece-fails-rule": (
        "{piece|a piece of plate} does not meet {rule|a rule}{about|}",
        "ask the engineer or the building official",
    ),
    "piece-rule-unsure": (
        "whether {piece|a piece of plate} meets {rule|a rule} cannot be told{about|}",
        "tape it on the wall",
    ),
    "overhang-fails-rule": ("{rule|the plate's overhang} is past the limit", "ask the engineer or move the line"),
    "overhang-unsure": (
        "whether {rule|the plate's overhang} is within the limit cannot be told within the ±",
        "tape the concrete's edge from the chalk line",
    ),
    "overhang-not-seen": (
        "whether the plate hangs over the foundation cannot be told everywhere, since the photos do not show every "
        "edge of the wall's top along {runs|some runs}",
        "look along it once the plate lies there",
    ),
    "overhang-no-limit": (
        "the plate hangs or may hang over the concrete, and no limit for it is set",
        "tape the concrete's edge, and write the limit your inspector holds under [layout] as overhang",
    ),
    "line-shift-helps": (
        "another chalk line{shift|} would bring in {bolts|more bolts}",
        "see the run's sheet before snapping it again, and what else hangs on the line",
    ),
    "levels-missing": (
        "other runs have level readings, and this one has none",
        "take some and write {key|[run.levels]}",
    ),
    "shim-engineer": (
        "{places|some places} {count?lies/lie} up to {value|too much} under level, more than shims are set to carry",
        "ask the engineer, or grout",
    ),
    "shim-grout": (
        "{places|some places} {count?lies/lie} up to {value|too much} under level",
        "this is for non-shrink grout",
    ),
    "shim-not-read": (
        "{places|some places} for shims {count?lies/lie} beyond the level readings",
        "read the level at both ends",
    ),
    "shim-unsure": (
        "level readings are too far apart, or a gap too near a limit, to be sure of {places|some places} for shims",
        "take more readings there and between",
    ),
    "not-level-one-plate": (
        "the wall falls by {value|more than the tolerance}, and with one plate there is nothing to shim between",
        "ask what to level with, or plan two plates",
    ),
    "outline-not-worked-out": ("the outline is not worked out in full. {told|A length is missing}", "see {key|it}"),
    "outline-inconsistent": (
        "the taped lengths and angles of the outline do not agree{suspects|}",
        "tape again before anything is cut",
    ),
    "corner-out-of-square": (
        "{outline|a corner} of the outline is out of square by {value|much} over 20 ft",
        "ask whether it is meant so before cutting",
    ),
    "corner-square-unsure": (
        "whether {outline|a corner} of the outline is square cannot be told",
        "tape the diagonals once more",
    ),
    "seismic-no-figure": (
        "earthquake rules are asked for (seismic = true), and the rule set {told|in use} has no plate washer or other "
        "figure for them here, so nothing on these sheets is judged by them",
        "ask the engineer what they ask for, and write it in a rule set of your own as {key|plate_washer_side}, "
        "plate_washer_thickness and spacing_largest",
    ),
    "seismic-tall-house": (
        "in a house of more than two storeys in SDC D0 to D2 bolts stand {feet|4 ft} apart at most (IRC R403.1.6.1, "
        "from memory), and these sheets judge by the wider spacing for lower houses",
        "if yours is so tall, write that as spacing_largest in a rule set of your own, and plan again",
    ),
    "cut-list-not-proven": ("a shorter cut list may exist", "nothing is wrong with this one"),
    "no-bolts": (
        "no bolt was found on this run, so it is not planned",
        "look at the photos and measure again, or take {key|its [[run]]} out of job.toml",
    ),
    "anchors-to-approve": (
        "{anchors|anchors} would have to be added for the {layer|plate}",
        "an engineer or the building official must approve each one first",
    ),
    "joint-needs-anchor": (
        "the joint at {station|a station} wants an anchor where no bolt that can be counted on stands",
        "the run's sheet says where it may go; have it approved first",
    ),
    "end-needs-anchor": (
        "the plate's end at {station|a station} wants an anchor where no bolt that can be counted on stands",
        "the run's sheet says where it may go; have it approved first",
    ),
    "spacing-too-wide": (
        "no bolt that can be counted on stands from {station|one station} to {to|another}{about|}, which is too far",
        "have {anchors|anchors} between them approved first; the run's sheet says where",
    ),
    "too-few-bolts": ("the piece from {station|a station} has too few bolts", "have anchors approved"),
    "joint-cannot-tell": (
        "whether {marks|a bolt} {marks?serves/serve} the joint at {station|a station} cannot be told within the ±",
        "tape {marks?it/them}",
    ),
    "end-cannot-tell": (
        "whether {marks|a bolt} {marks?serves/serve} the end at {station|a station} cannot be told within the ±",
        "tape {marks?it/them}",
    ),
    "spacing-cannot-tell": ("whether {marks|two bolts} stand too far apart cannot be told", "tape between them"),
    "bolt-near-joint": (
        "{marks|a bolt} may stand too near the joint of the {layer|plate} at {station|a station}",
        "tape {marks?it/them}, and watch that the wood does not split",
    ),
    "bolt-near-end": (
        "{marks|a bolt} may stand too near the end of the {layer|plate} at {station|a station}",
        "tape {marks?it/them}, and watch that the wood does not split",
    ),
    "bolt-too-near-joint": (
        "{marks|a bolt} {marks?does/do} not keep the least distance from the joint of the {layer|plate} at "
        "{station|a station}",
        "the wood may split there, so ask the engineer or the building official",
    ),
    "bolt-too-near-end": (
        "{marks|a bolt} {marks?does/do} not keep the least distance from the end of the {layer|plate} at "
        "{station|a station}",
        "the wood may split there, so ask the engineer or the building official",
    ),
    "bolt-off-plate": (
        "{marks|a bolt} {marks?stands/stand} beyond the plate's ends",
        "check where the run begins and ends",
    ),
    "run-too-short": ("no anchor in so short a plate keeps the least end distance", "ask the engineer"),
}
