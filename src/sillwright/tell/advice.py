"""What to shoot again while the crew still stands there, in lines; the reasons are those of the record."""

from __future__ import annotations

from sillwright.judge.stand import Stand, where_to_stand
from sillwright.lengths import format_inches
from sillwright.survey import Finding, Survey
from sillwright.tell.reasons import explain
from sillwright.tell.rows import place_along, zero_words
from sillwright.tell.wording import run_findings

# Notes that ask for no other photo: they are told with the numbers.
NOTES = frozenset(
    {"scale-not-taped", "lens-unknown", "ribbed", "lies-flat", "stated-stickup", "struck-by-hand", "line-by-hand"}
)


def advice_lines(survey: Survey) -> tuple[str, ...]:
    """One line for each thing to mend, photos first, then cards and line, then bolts; empty where all is well."""
    lines = []
    for photo in survey.photos:
        lines += [f"{photo.file}. {explain(reason, 'photo')}" for reason in photo.reasons if _asks(reason)]
    told = {explain(reason, "photo") for photo in survey.photos for reason in photo.reasons}
    for run in survey.runs:
        notes = {explain(reason, "run") for reason in run.reasons if not _asks(reason)}
        lines += [f"Run {run.name}. {sentence}" for sentence in run_findings(run) if sentence not in notes | told]
    for corner in survey.corners:
        name = f"Corner of {corner.runs[0]} and {corner.runs[1]}"
        lines += [f"{name}. {explain(reason, 'corner')}" for reason in corner.reasons]
    lines += [line for stand in where_to_stand(survey) for line in _stand_lines(stand)]
    return tuple(dict.fromkeys(lines))


def _asks(reason: Finding) -> bool:
    return reason.code not in NOTES


def _stand_lines(stand: Stand) -> list[str]:
    asks = [reason for reason in stand.reasons if _asks(reason)]
    if not asks:
        return []
    toward = "higher" if stand.aside_mm > 0 else "lower"
    aside = format_inches(abs(stand.aside_mm), 1)
    place = f"hold the phone over {place_along(stand.phone_at_mm, 1)}, {aside} from the bolt toward {toward} stations"
    why = " ".join(explain(reason, "bolt") for reason in asks)
    return [f"Bolt {stand.mark} on {stand.run}, at {place_along(stand.bolt_at_mm, 1)}. {why} Here: {place}."]


def closing_line(survey: Survey, lines: tuple[str, ...]) -> str:
    """How it stands, in a sentence; stations are told from where they count."""
    bolts = sum(len(run.bolts) for run in survey.runs)
    found = f"{bolts} bolt{'s' if bolts != 1 else ''} found in {len(survey.photos)} photo{_s(len(survey.photos))}."
    if not lines:
        return f"{found} Nothing to shoot again."
    zero = next((zero_words(run) for run in survey.runs if run.cards), "")
    return f"{found} {len(lines)} thing{_s(len(lines))} to mend. {zero}".rstrip()


def _s(count: int) -> str:
    return "s" if count != 1 else ""
