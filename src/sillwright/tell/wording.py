"""The words every sheet carries: how to read it, what the scale rests on, and the safety cautions."""

from __future__ import annotations

from sillwright.judge.straighten import FIELD_BEND_CEILING_DEG, NUT_BEARS_FLAT_DEG
from sillwright.lengths import MM_PER_INCH, format_inches
from sillwright.survey import CornerRecord, PhotoRecord, RunRecord, Status, Survey, left_handed, worst
from sillwright.tell.frames import reach_mm
from sillwright.tell.reasons import explain, worst_first
from sillwright.tell.rows import STATUS_WORDS, angle_text, outward, shown_status, width_inches

ADVISES = "sillwright measures and advises. It approves nothing."
NO_BOLTS = "No bolt was found on this run."

HOW_TO_READ: tuple[str, ...] = (
    "Along, from previous and in from the line are taken where the bolt leaves the concrete. A bolt left leaning "
    "stands off that point at the top of the plate.",
    "±: the true number is within that much of the printed one, 95 times in 100, with the rounding of the printed one "
    "already counted. It is always rounded up; in inches to the next 1/32.",
    "ok: fit to mark and drill from, to the ± beside each number. CHECK: a number is given, but look at the reason "
    "beside it and put a tape on the bolt first. RE-SHOOT: there is no number to rely on; take the photo asked for.",
    "An arrow shows which way the tip of a bolt must come, never which way it leans.",
)

PHOTO_KEY = (
    "On each photo two thin strokes run along the line as measured; the chalk shows between them. An outline stands "
    "round each bolt, with ticks in line with its base. An arrow shows the way a tip must come. Pictures open large."
)

STRAIGHTENING = (
    f"A bolt is listed to straighten where its lean, less its ±, is over {NUT_BEARS_FLAT_DEG:.1f}° (1 in 20): past "
    "that slope a nut no longer bears flat (RCSC, by way of AISC FAQ 6.10.1). No source sets a straightening limit for "
    f"sill bolts. Over {FIELD_BEND_CEILING_DEG:.0f}° it is for the engineer alone (AISC Design Guide 1, as quoted). "
    "Ask before bending any bolt."
)

SAFETY: tuple[str, ...] = (
    "Eyes: wear eye protection with side shields whenever you strike or drill.",
    "Treated wood: wear a dust mask and gloves when you cut or drill it, wash your hands before eating, and never "
    "burn the offcuts.",
    "Concrete: drilling or chipping it makes silica dust that harms the lungs for good (OSHA 29 CFR 1926.1153). Use a "
    "shroud with a dust collector, or water, and wear a respirator where that is not enough. Do not sweep it up dry.",
    "Edges and steel: open edges are a fall hazard, and upright bolts are a trip and impalement hazard. Do not walk "
    "backward while you shoot or measure.",
    "Structure: bending, cutting or adding anchors is for the engineer and the local code official to decide.",
    ADVISES,
)

_SCALE_RESTS_ON = {
    "check length": "the check length taped on a printed card",
    "tape": "a length taped between two cards on the wall",
    "bolts": "the stated diameter of the bolts, which is a weak check",
    "print": "the cards having been printed true to size, which nobody taped",
}


def scale_statement(run: RunRecord) -> str:
    """What the run's scale rests on, and what its doubt comes to over the run."""
    says = f"The scale rests on {_SCALE_RESTS_ON[run.scale_from]}."
    if run.scale_u95_ratio <= 0.0:
        return f"{says} How good it is was not recorded."
    low_mm, high_mm = reach_mm(run, False)
    doubt_mm = run.scale_u95_ratio * (high_mm - low_mm)
    counted = ", counted in every ± along the wall" if _scale_is_counted(run) else ""
    return (
        f"{says} It is good to 1 part in {_round_down(1.0 / run.scale_u95_ratio)}: over this run's "
        f"{(high_mm - low_mm) / MM_PER_INCH / 12:.0f} ft that is "
        f"± {width_inches(doubt_mm)} ({outward(doubt_mm, 0.0, 0.1) / 10:.1f} mm){counted}."
    )


def _scale_is_counted(run: RunRecord) -> bool:
    """Whether every ± along the wall is at least as wide as the scale alone makes it."""
    pairs = [(b.station_mm, b.u95.station_mm) for b in run.bolts if b.station_mm is not None]
    return all(u95_mm is not None and u95_mm >= run.scale_u95_ratio * abs(at_mm) for at_mm, u95_mm in pairs)


def _round_down(parts: float) -> int:
    """To two figures, never up: 1 part in 1234 is told as 1200."""
    unit = 10 ** max(len(str(int(parts))) - 2, 0)
    return max(int(parts) // unit * unit, 1)


def run_facts(survey: Survey, run: RunRecord) -> tuple[str, ...]:
    """What holds for the whole run: line, plate, side."""
    color = f"{run.line_color} " if run.line_color else ""
    facts = [
        f"The {color}chalk line marks the {run.line_marks} edge of the plate, which is "
        f"{format_inches(run.plate_width_mm)} wide."
    ]
    handed = left_handed(survey, run.name)
    if handed is not None:
        side = "right" if handed else "left"
        facts.append(f"Facing the way stations rise, the plate lies to the {side} of the line.")
    return tuple(facts)


def run_findings(run: RunRecord) -> tuple[str, ...]:
    """Every reason on the run and its cards, in words."""
    of_cards = [explain(reason, "card") for card in run.cards for reason in card.reasons]
    return tuple(dict.fromkeys([explain(reason, "run") for reason in run.reasons] + of_cards))


def reshoot_lines(survey: Survey) -> tuple[str, ...]:
    """What has to be shot again before the job can be marked, one line each."""
    lines = []
    for run in survey.runs:
        if run.status == "reshoot":
            lines += [f"Run {run.name}. {explain(reason, 'run')}" for reason in run.reasons]
        for bolt in run.bolts:
            if bolt.status == "reshoot":
                name = f"Bolt {bolt.mark} on {run.name}"
                lines += [f"{name}. {explain(reason, 'bolt')}" for reason in worst_first(bolt.reasons)]
    for corner in survey.corners:
        if corner.status == "reshoot":
            name = f"Corner of {corner.runs[0]} and {corner.runs[1]}"
            lines += [f"{name}. {explain(reason, 'corner')}" for reason in corner.reasons]
    for photo in survey.photos:
        if photo.status == "reshoot":
            lines += [f"{photo.file}. {explain(reason, 'photo')}" for reason in photo.reasons]
    return tuple(dict.fromkeys(lines))


def corner_line(corner: CornerRecord) -> str:
    """The corner's angle with its ±; no number where it must be shot again."""
    name = f"Corner of {corner.runs[0]} and {corner.runs[1]}"
    if corner.status == "reshoot" or corner.angle_deg is None:
        return f"{name}: {STATUS_WORDS['reshoot']}, no angle to cut to."
    mark = "" if corner.status == "ok" else f" {STATUS_WORDS[corner.status]}."
    angle = angle_text(corner.angle_deg, corner.u95_deg, 2)
    return f"{name}: {angle}, seen from where the lines cross.{mark}"


def photo_line(photo: PhotoRecord) -> str:
    """Whether the photo was used, and its status."""
    used = "used" if photo.used else "not used"
    return used if photo.status == "ok" else f"{used}, {STATUS_WORDS[photo.status]}"


def job_status(survey: Survey) -> Status:
    """The worst status of anything a number is taken from."""
    bolts = [bolt.status for run in survey.runs for bolt in run.bolts]
    return worst(*(run.status for run in survey.runs), *bolts, *(corner.status for corner in survey.corners))


def job_line(survey: Survey) -> str:
    """How many bolts may be marked, must be looked at, and must be shot again."""
    statuses = [shown_status(run, bolt) for run in survey.runs for bolt in run.bolts]
    counts = [(statuses.count(status), STATUS_WORDS[status]) for status in ("ok", "check", "reshoot")]
    told = ", ".join(f"{count} {word}" for count, word in counts if count)
    return f"{len(statuses)} bolt{'s' if len(statuses) != 1 else ''}: {told}" if statuses else "no bolts"
