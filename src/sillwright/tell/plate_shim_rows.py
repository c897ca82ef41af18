"""The level of one run's sheet as text: its shims, what their places ask for, and the high and low points."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

from sillwright.lengths import format_feet_inches, format_inches
from sillwright.plates.record import PlatesPlan, RunPlan
from sillwright.tell.plate_word_table import SHIM_HEIGHTS, SHIM_UNSURE, SHIM_VERDICTS
from sillwright.tell.plate_words import shim_height_words, shim_place_words, station_words
from sillwright.tell.rows import shown


@dataclass(frozen=True)
class ShimRow:
    """One place for a shim: how far from the first plate's low end, under what, its height or who is to be asked there.

    doubtful : nothing is to be set before it was read again or somebody was asked
    """

    at: str
    place: str
    height: str
    doubtful: bool


def shim_rows(run: RunPlan) -> tuple[ShimRow, ...]:
    """The places of one run that want something, in the order of stations."""
    return tuple(
        ShimRow(
            format_feet_inches(shim.place.station_mm - run.first_low_mm),
            shim_place_words(shim),
            shim_height_words(shim),
            shim.doubtful or shim.verdict not in ("none", "shim"),
        )
        for shim in run.shims
        if shim.verdict != "none" or shim.doubtful
    )


def shim_lines(plan: PlatesPlan, run: RunPlan) -> Iterator[str]:
    """What each verdict asks for, once, with the places counted."""
    if not run.shims:
        return
    yield "Shims go between first and second plate, from the first plate's low end along the chalk-line edge."
    if plan.levels is not None:
        within = format_inches(plan.levels.within_mm, 32)
        yield f"They are the least that bring it within {within} of level (level_within): it may still lie that low."
    for verdict in ("engineer", "grout", "not read"):
        there = [shim for shim in run.shims if shim.verdict == verdict]
        if there:
            deepest_mm = max((shim.gap_mm for shim in there if shim.gap_mm is not None), default=None)
            gap = "" if deepest_mm is None else f" (up to {format_inches(deepest_mm)} under level)"
            yield f"{SHIM_HEIGHTS[verdict]}, {_places(len(there))}{gap}. {SHIM_VERDICTS[verdict]}."
    unsure = sum(shim.doubtful and shim.verdict != "not read" for shim in run.shims)
    if unsure:
        yield f"In brackets, {_places(unsure)}: {SHIM_UNSURE}"
    none = sum(shim.verdict == "none" and not shim.doubtful for shim in run.shims)
    if none:
        yield f"{_places(none)} more {'wants' if none == 1 else 'want'} no shim."


def _places(count: int) -> str:
    return f"{count} place{'' if count == 1 else 's'}"


def level_words(plan: PlatesPlan, run: RunPlan) -> str:
    """High and low point of the job, and of this run beside them."""
    facts = plan.levels
    if facts is None:
        return "No level readings were given: no shims are planned."
    fall = shown(facts.fall_mm, facts.fall_u95_mm)
    high, low = (f"run {point.run} at {station_words(point.station_mm)}" for point in (facts.high, facts.low))
    told = f"Highest: {high}. Lowest: {low}, {fall.inches} {fall.plus_minus} below it."
    own = [point for point in facts.points if point.run == run.name]
    if not own:
        return f"{told} This run has no readings."
    lowest = min(own, key=lambda point: point.height_mm)
    down = format_inches(-lowest.height_mm)
    return (
        f"{told} Lowest read on this run: {down} below the highest, at "
        f"{station_words(lowest.station_mm)}. Held level within {format_inches(facts.within_mm, 32)}."
    )
