"""The words of the plan's codes; ``plate_words`` fills them in."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from sillwright.judge.passes import PassCode
from sillwright.judge.rules import Sure
from sillwright.judge.verdicts import CheckKey
from sillwright.plates.shopping import Item

ShimVerdict = Literal["none", "shim", "engineer", "grout", "not read"]

SURE_WORDS: dict[Sure, str] = {
    "read": "read",
    "second-hand": "second hand",
    "memory": "from memory",
    "crew": "set by the crew in the job file",
}

# What a rule is about, in a few words, to choose it by.
RULE_TITLES: dict[CheckKey, str] = {
    "bolt-diameter": "Thickness of bolts",
    "spacing": "Spacing of bolts",
    "end-largest": "Bolt too far from an end",
    "end-least": "Bolt too near an end",
    "bolts-a-piece": "Bolts in a piece",
    "short-wall-middle": "Middle of a short piece",
    "across": "Place across the plate",
    "plate-edge": "Distance from the plate's edge",
    "concrete-edge": "Distance from the concrete's edge",
    "overhang": "Plate over the concrete's edge",
    "bearing": "Plate bearing on concrete",
    "stick-up": "Stick-up",
    "washer-on-wood": "Plate washer on the wood",
    "washer-edge": "Plate washer near the edge",
    "cut-washer": "Cut washer over the edge",
}

# What was found; ``{of}`` is the piece, ``{side}`` which side, where there is one.
CHECK_SAYS: dict[CheckKey, str] = {
    "bolt-diameter": "{subject} is {measured} thick",
    "spacing": "{subject} and {other} stand {measured} apart",
    "end-largest": "{subject} stands {measured} from the {other}{of}",
    "end-least": "{subject} stands {measured} from the {other}{of}",
    "bolts-a-piece": "Bolts that surely stand in {piece}: {measured}",
    "short-wall-middle": "{subject} stands {measured} from the {other}, {piece}",
    "across": "{subject} stands {measured} in from the chalk line",
    "plate-edge": "{subject} stands {measured} from the plate's edge{side}",
    "concrete-edge": "{subject} stands {measured} from the concrete's edge{side}",
    "overhang": "The plate of {subject} hangs {measured} over the concrete{side}",
    "bearing": "{measured} of the plate's width of {subject} lies on concrete",
    "stick-up": "{subject} stands {measured} out of the concrete",
    "washer-on-wood": "The plate washer of {subject}, moved as is best, leaves {measured} of wood, {other}",
    "washer-edge": "That of {subject} comes within {measured}, {other}",
    "cut-washer": "The middle of the cut washer of {subject} lies {measured} from the plate's edge{side}",
}
WASHER_HANGS = "The plate washer of {subject}, moved as far as it goes, hangs {measured} over the wood, {other}"

# What to do where a rule is not met, and where it cannot be told.
CHECK_DO: dict[CheckKey, tuple[str, str]] = {
    "bolt-diameter": (
        "Ask the engineer whether it may stay",
        "Measure it over the threads with a calliper",
    ),
    "spacing": (
        "An anchor between them is wanted: ask the engineer or the building official",
        "Tape from one to the other",
    ),
    "end-largest": (
        "An anchor nearer the end is wanted: ask the engineer or the building official",
        "Tape it from the plate's end once the plate is cut",
    ),
    "end-least": (
        "It is too near to hold the end: ask the engineer or the building official",
        "Tape it from the plate's end once the plate is cut",
    ),
    "bolts-a-piece": (
        "Anchors are wanted in this piece: ask the engineer or the building official",
        "Look which bolts this piece goes over, and tape those in doubt",
    ),
    "short-wall-middle": (
        "An anchor in its middle third is wanted: ask the engineer or the building official",
        "Tape it from both ends of the piece",
    ),
    "across": (
        "Ask the engineer, or see whether another chalk line brings it in",
        "Tape it square from the chalk line",
    ),
    "plate-edge": (
        "So near the edge the wood may split: ask the engineer before drilling. An edge loaded across the grain "
        "asks for more, 4 diameters (NDS, from memory)",
        "Tape it square from the chalk line",
    ),
    "concrete-edge": (
        "Ask the engineer whether it may stay",
        "Tape it from the edge of the concrete",
    ),
    "overhang": (
        "Ask the engineer, or move the line",
        "Tape the concrete's edge from the chalk line",
    ),
    "bearing": (
        "Ask the engineer, or move the line",
        "Tape both edges of the concrete from the chalk line",
    ),
    "stick-up": (
        "It is too short for the plates, washers and nut: ask the engineer before any plate goes on",
        "Tape it from the concrete to its tip",
    ),
    "washer-on-wood": (
        "Ask the engineer what holds the plate there",
        "Tape it square from the chalk line, and from the ends of the top plate",
    ),
    "washer-edge": (
        "The other edge is farther still. Where the wall is a shear wall that asks for it, ask the engineer",
        "See which side of the wall is sheathed, and tape it square from the chalk line",
    ),
    "cut-washer": (
        "It hangs over the edge: ask the engineer what holds the plate there",
        "Tape it square from the chalk line",
    ),
}


@dataclass(frozen=True)
class PassWords:
    """What is said of one code of ``judge.passes``: in a few words, as the beginning of a sentence, and what to do."""

    short: str
    says: str
    do: str


# Why a bolt is the engineer's, is to be straightened, or cannot be told of.
PASS_WORDS: dict[PassCode, PassWords] = {
    "bent": PassWords("bent", "It is bent along its length", "leave it as it is, and have the engineer say what to do"),
    "damaged": PassWords("damaged", "It is damaged", "put no nut on it, and have the engineer say what to do"),
    "off-plate": PassWords(
        "no plate covers it with wood on both sides",
        "It stands where no plate covers it with wood on both sides",
        "have the engineer say what takes its place; a plate whose edge comes down on it cannot lie there",
    ),
    "near-plate-edge": PassWords(
        "near the plate's edge",
        "Its hole may break out of the plate's edge",
        "tape it square from the chalk line before drilling",
    ),
    "no-setback": PassWords(
        "its place is not known", "How far in it stands is not known", "shoot it again, or tape it; no hole is marked"
    ),
    "past-cold-bend": PassWords(
        "leans past what may be bent back",
        "It leans past what may be bent back cold",
        "do not bend it, and have the engineer say what to do",
    ),
    "near-cold-bend": PassWords(
        "leans near what may be bent back",
        "Whether it leans past what may be bent back cold cannot be told",
        "do not bend it before its lean is taken with a level and the engineer was asked",
    ),
    "no-lean": PassWords(
        "its lean is not known", "Its lean is not known", "hold a square to it, and try the plate before drilling"
    ),
    "no-hole-size": PassWords(
        "no size of hole is known", "The rule set names no hole for it", "ask which drill to use"
    ),
    "hole-under-bolt": PassWords(
        "the hole is smaller than the bolt",
        "The drill is thinner than the bolt",
        "correct hole_over in the job file, and plan again",
    ),
    "will-not-pass": PassWords(
        "will not pass its hole",
        "It leans too far for the plates to go down over it",
        "straighten it first, if that is allowed",
    ),
    "nut-not-flat": PassWords(
        "its nut will not bear flat",
        "It leans too far for a nut to bear flat",
        "straighten it first, if that is allowed",
    ),
    "near-limit": PassWords(
        "its lean is near what its hole takes",
        "Whether it leans too far for its hole cannot be told",
        "hold a square to it, and try the plate before drilling",
    ),
    "nut-near-limit": PassWords(
        "its lean is near where a nut stops bearing flat",
        "Whether a nut will bear flat on it cannot be told",
        "its hole is right as it stands; try a nut on it, and where it does not sit flat ask whether a tapered washer "
        "may go under it",
    ),
}

# Over a place in the list of shims, and the sentence that says what it asks for.
SHIM_HEIGHTS: dict[ShimVerdict, str] = {
    "none": "none",
    "shim": "shim",
    "engineer": "ENGINEER",
    "grout": "GROUT",
    "not read": "NOT READ",
}
SHIM_VERDICTS: dict[ShimVerdict, str] = {
    "none": "It is level there: set nothing",
    "shim": "Set a shim of this height",
    "engineer": "It lies lower than shims are set to carry: set none, and ask the engineer",
    "grout": "It lies too low for any shim: this is for non-shrink grout, and the engineer says which",
    "not read": "It lies beyond the level readings: read the level there before setting any",
}
SHIM_UNSURE = (
    "not sure. Readings are too far apart, or the gap is near a limit: read the level there again before setting any."
)

WANTED_WORDS: dict[Literal["joint", "end", "spacing", "count"], str] = {
    "joint": "no bolt holds the plate beside a joint",
    "end": "no bolt holds the plate's end",
    "spacing": "the gap between bolts is too wide there",
    "count": "the piece has too few bolts",
}

JOINT_WORDS: dict[Literal["mitre", "through", "butt", "square"], str] = {
    "mitre": "mitred to {other}",
    "through": "runs through past {other}",
    "butt": "butts against {other}",
    "square": "cut square",
}

SQUARE_VERDICTS: dict[Literal["as drawn", "out", "cannot tell"], str] = {
    "as drawn": "As drawn",
    "out": "OUT: ask whether it is meant so before anything is cut",
    "cannot tell": "CANNOT TELL: tape the diagonals again",
}

ITEM_WORDS: dict[Item, str] = {
    "treated-lumber": "treated lumber {thickness} x {width}, {length} long",
    "lumber": "untreated lumber {thickness} x {width}, {length} long",
    "sill-sealer": "sill sealer {width} wide",
    "nut": "nuts {size}",
    "washer": "washers for {size}",
    "plate-washer": "plate washers {plate} for {size}{slot}",
    "shim": "shims {height} thick",
    "drill-bit": "wood bit {drill}",
    "chalk": "chalk for run {run}: {color}",
}
