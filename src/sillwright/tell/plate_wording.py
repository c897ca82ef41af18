"""Fixed words of the plates' sheets: headings, cautions, and what the plan is not."""

from __future__ import annotations

from sillwright.tell.wording import SAFETY

ADVISES_NOTHING_STRUCTURAL = (
    "sillwright measures and advises. It approves nothing structural: local code, drawings and engineer come first."
)
# The groups of ``plate_before.Before``, in the order of the work.
BEFORE_TITLES = {
    "engineer": "TO THE ENGINEER",
    "reshoot": "SHOOT AGAIN, OR TAPE",
    "straighten": "STRAIGHTEN FIRST, tip the way of the arrow. Ask before bending: no source sets a limit for it.",
    "tape": "TAPE BEFORE DRILLING. Hold the tape on the wall, write down what it reads, and mark from that.",
    "anchors": "ANCHORS TO ADD. An engineer or the building official must approve each one first.",
    "decide": "SETTLE BEFORE CUTTING",
    "line": "THE CHALK LINE",
    "notes": "NOTE",
}
# Heads of the washers' table.
WASHER_TO_LINE, WASHER_TO_FAR = "Centred, from chalk-line edge", "Centred, from far edge"
WASHER_NEAR = "Can come near the"
RUN_CAUTIONS = (
    "Hook the tape on the low end each time, and go by the figures, never by the drawing.",
    "Wear eye protection whenever you strike, cut or drill; dust mask and gloves for treated wood, and never burn it.",
    "Open edges are a fall hazard, upright bolts a trip and impalement hazard: do not walk backward.",
    "Bending, cutting or adding anchors is for the engineer and the local code official to decide.",
)
PLATES_SAFETY = SAFETY[:-1]
HOW_JUDGED = (
    "DOES NOT MEET: all of the number's ± lies past the limit. CANNOT TELL: the limit lies within its ±, or something "
    "was not seen. What the photos cannot show (how deep a bolt sits, the concrete, the wood's treatment, torque) was "
    "not judged."
)
