"""What a comparison shows, in words: a table and sentences for people, CSV and JSON for programs."""

from __future__ import annotations

import json
from collections.abc import Iterator
from dataclasses import asdict, dataclass
from typing import Any

from rich.console import RenderableType

from sillwright.archive.align import PAIRED_WITHIN_MM
from sillwright.archive.compare import NUMBERS_A_BOLT, Comparison, Difference, Lean, Pair, RunComparison
from sillwright.lengths import format_feet_inches, format_inches, to_sixteenths
from sillwright.survey import BoltRecord
from sillwright.tell.csv_cells import csv_table, csv_words
from sillwright.tell.rows import place_along, shown, width_inches
from sillwright.tell.tables import plain_table, plain_text

ONLY_FIRST, ONLY_SECOND = "only in the first", "only in the second"
_LEAN_WORDS: dict[Lean, str] = {
    "same": "",
    "straightened": "straightened",
    "leans more": "leans more",
    "leans another way": "leans another way",
    "cannot tell": "lean: cannot tell",
}


@dataclass(frozen=True)
class Ways:
    """How the one who reads asks for the other alignments, as parts of sentences."""

    along: str
    either: str
    asked: str


COMMAND = Ways("say --align along", "say --align along; if it did not, --align none", "as asked with --align along")


@dataclass(frozen=True)
class CompareRow:
    """One bolt of a comparison as text; ``doubtful`` where one of the two is CHECK: look at its reasons first."""

    mark: str
    along: str
    setback: str
    lean: str
    what: str
    doubtful: bool
    differs: bool


_COLUMNS = (
    "run", "first", "second", "what", "station_first_mm", "station_difference_mm", "station_u95_mm",
    "setback_first_mm", "setback_difference_mm", "setback_u95_mm", "lean_first_deg", "lean_second_deg",
    "lean_along_difference_mm", "lean_across_difference_mm", "doubtful", "along_shift_mm", "along_seen_mm", "ambiguous",
    "order", "edges", "across_paired_mm", "widened_by",
)  # fmt: skip


def what(pair: Pair, design: bool = False) -> str:
    """One bolt in a few words. Against a design a bolt is off its place, and has not moved."""
    parts = []
    if pair.place == "moved":
        parts.append("off its place" if design else "moved")
    elif pair.place == "cannot tell":
        parts.append("place: cannot tell")
    lean = "leans" if design and pair.lean == "leans more" else _LEAN_WORDS[pair.lean]
    parts += [lean] if lean else []
    return ", ".join(parts) or ("as drawn" if design else "no difference that shows")


def compare_table(run: RunComparison, design: bool = False) -> RenderableType:
    """The bolts of one run, one a line, the new and gone ones last."""
    headings = ("Bolt", "Along", "In from the line", "Lean", "What")
    table = plain_table(f"Run {run.run}: the second less the first", headings, (0, 1, 2))
    for row in compare_rows(run, design):
        said = row.what + (" (CHECK: look at its reasons first)" if row.doubtful else "")
        table.add_row(*map(plain_text, (row.mark, row.along, row.setback, row.lean, said)))
    return table


def compare_rows(run: RunComparison, design: bool = False) -> Iterator[CompareRow]:
    """The bolts of one run, the new and gone ones last."""
    for pair in run.pairs:
        differs = pair.place != "same" or pair.lean != "same"
        steps = _step(pair.station), _step(pair.setback)
        yield CompareRow(name(pair), *steps, lean_words(pair), what(pair, design), pair.doubtful, differs)
    for bolts, said in ((run.new, ONLY_SECOND), (run.gone, ONLY_FIRST)):
        for bolt in bolts:
            yield CompareRow(bolt.mark, at(bolt), "", "", said, doubtful=False, differs=True)


def run_lines(run: RunComparison, design: bool = False, ways: Ways = COMMAND) -> Iterator[str]:
    """What is to be said of a run as a whole."""
    shift = _shift_lines(run, design, ways)
    for line in (*_order_lines(run), *shift, *_edge_lines(run), *_setback_lines(run, design)):
        yield f"Run {run.run}: {line}"
    if run.gone and run.new:
        yield (
            f"Run {run.run}: bolts more than {format_inches(PAIRED_WITHIN_MM)} apart are not taken for one. One that "
            f"{'is farther off its place' if design else 'moved farther'} stands here as one that is gone and one that "
            "is new."
        )
    if run.gone and not design:
        yield f"Run {run.run}: a bolt in the first only may stand and not have been found. Look at the pictures."
    allowances_mm = [one.allowance_mm for pair in run.pairs for one in (pair.station, pair.setback) if one is not None]
    widest_mm = max(allowances_mm, default=0.0)
    if widest_mm > 0.0:
        yield (
            f"Run {run.run}: a place that is off by less than {width_inches(widest_mm)} (at the least sure of its "
            "bolts) does not show here, and is not ruled out."
        )


def _order_lines(run: RunComparison) -> Iterator[str]:
    if run.order == "turned":
        zero = place_along(-run.along_shift_mm)
        yield (
            "the bolts fit better with one of the two counted from the other end, as where its cards were numbered "
            f"the other way. They are compared so: the second's zero mark is at {zero} of the first, and only the "
            "spacing is compared. Look at the cards' numbers on the photos. If they run the same way, this table sets "
            "the wrong bolts side by side."
        )
    elif run.order == "cannot tell":
        yield (
            "counted from the other end the bolts fit better. Look from which end each of the two counts: if not from "
            "the same one, this table sets the wrong bolts side by side."
        )


def _shift_lines(run: RunComparison, design: bool, ways: Ways) -> Iterator[str]:
    """What was taken off the stations, or was not, and what cannot be told for it."""
    if run.along_shift_mm and run.order != "turned":
        yield f"{_seen(run)} {_taken_off(run, ways)}"
    elif run.along_seen_mm != run.along_shift_mm and run.bolts_differ and (run.along_agreeing > 1 or not design):
        yield f"{_seen(run)} {_not_taken_off(run, design, ways)}"
    if run.ambiguous:
        yield (
            "the bolts stand so evenly, or are so few, that each may be taken for its neighbour. Count them on the "
            "pictures."
        )


def _seen(run: RunComparison) -> str:
    way = "farther along" if run.along_seen_mm > 0.0 else "farther back"
    bolts = len(run.pairs) + len(run.gone)
    read = "the bolt reads" if bolts == 1 else f"{run.along_agreeing} of {bolts} bolts read"
    return f"{read} {format_feet_inches(abs(run.along_seen_mm))} {way} in the second."


def _taken_off(run: RunComparison, ways: Ways) -> str:
    if run.align == "along":
        return f"That is taken off all, {ways.asked}: only the spacing is compared."
    return (
        "That is taken off all, and only the spacing is compared. Whether the lowest-numbered card lay elsewhere or "
        f"the whole run moved along cannot be told. If the card did lie elsewhere, {ways.either}."
    )


def _not_taken_off(run: RunComparison, design: bool, ways: Ways) -> str:
    why = (
        "If the design counts from another place than the lowest-numbered card's zero mark"
        if design
        else "If the lowest-numbered card lay elsewhere"
        if run.align == "none"
        else "So few bolts cannot tell whether they moved along or the lowest-numbered card lay elsewhere. If the card "
        "did"
    )
    return f"That is not taken off. {why}, {ways.along}: then only the spacing is compared."


def _edge_lines(run: RunComparison) -> Iterator[str]:
    """Which edge of the plate setbacks are from, where the two do not say the same."""
    one, other = run.line_marks
    width, other_width = (format_inches(mm) for mm in run.plate_width_mm)
    if run.edges != "alike":
        marks = f"the line marks the plate's {one} edge in the first and its {other} edge in the second."
        if run.edges == "converted":
            yield f"{marks} The second's setbacks are compared as from the {one} edge, by the plate's width of {width}."
        else:
            yield f"{marks} The plates are {width} and {other_width} wide, so setbacks cannot be compared."
    elif not run.one_width:
        yield (
            f"the plate is {width} wide in the first and {other_width} in the second. Setbacks are compared as they "
            f"are, from the {one} edge."
        )


def _setback_lines(run: RunComparison, design: bool) -> Iterator[str]:
    if run.across_paired_mm:
        yield (
            f"setbacks differ by about {format_inches(abs(run.across_paired_mm))}, more than the "
            f"{format_inches(PAIRED_WITHIN_MM)} that bolts are paired over, so they are set side by side as if that "
            "were taken off. Look whether they are the same bolts."
        )
    if run.common_setback_mm is None:
        return
    way = "farther in from" if run.common_setback_mm > 0.0 else "nearer to"
    why = (
        "the line is not where the design has it"
        if design
        else "the two lines were likely not snapped one plate's width apart"
        if run.edges == "converted"
        else "the line was likely snapped elsewhere"
    )
    about = format_inches(abs(run.common_setback_mm))
    yield f"the bolts read about {about} {way} the line, all alike: {why}. Nothing is taken off for it."


def compare_lines(found: Comparison, design: bool = False, ways: Ways = COMMAND) -> Iterator[str]:
    """What is to be said of all."""
    for run in found.runs:
        if run.pairs:
            yield (
                f"Run {run.run}: a star marks what is more than about {run.widened_by:.1f} times the ± beside it, as "
                f"{NUMBERS_A_BOLT * len(run.pairs)} numbers are compared, and of 20 one passes its ± by chance."
            )
        yield from run_lines(run, design, ways)
    for names, where in ((found.only_first, "first"), (found.only_second, "second")):
        for run_name in names:
            yield f"Run {run_name} is in the {where} only."


def compare_csv(found: Comparison, design: bool = False) -> bytes:
    """One line a bolt; lengths in mm, angles in degrees, the second less the first."""
    return csv_table(_COLUMNS, (line for run in found.runs for line in _csv_lines(run, design)))


def compare_json(found: Comparison, design: bool = False) -> str:
    """The whole comparison under the names that it has inside."""
    body: dict[str, Any] = asdict(found)
    for run, plain in zip(found.runs, body["runs"], strict=True):
        for pair, one in zip(run.pairs, plain["pairs"], strict=True):
            one["what"] = what(pair, design)
        plain["differs"] = run.differs
    return json.dumps(body, indent=1, ensure_ascii=False)


def name(pair: Pair) -> str:
    """A bolt's mark in both."""
    one, other = pair.first.mark, pair.second.mark
    return one if one == other else f"{one} → {other}"


def lean_words(pair: Pair) -> str:
    """The lean in the first and in the second."""
    if pair.lean == "cannot tell":
        return "–"
    before, after = pair.first.lean_deg, pair.second.lean_deg
    return f"{before:.1f}° → {after:.1f}°" if before is not None and after is not None else "–"


def _step(one: Difference | None) -> str:
    if one is None:
        return "–"
    told = shown(one.mm, one.u95_mm)
    sign = "" if to_sixteenths(one.mm) == 0 else "+" if one.mm > 0.0 else "-"
    mark = "*" if one.shows else ""
    return f"{sign}{told.inches.lstrip('-')} {told.plus_minus}{mark}"


def at(bolt: BoltRecord) -> str:
    """Where a bolt is by its own record."""
    if bolt.station_mm is None:
        return ""
    return f"at {place_along(bolt.station_mm)}"


def _csv_lines(run: RunComparison, design: bool) -> Iterator[list[str]]:
    of_run = [_cell(run.along_shift_mm), _cell(run.along_seen_mm), _yes(run.ambiguous), run.order, run.edges]
    of_run += [_cell(run.across_paired_mm), _cell(run.widened_by)]
    for pair in run.pairs:
        numbers = (
            pair.first.station_mm,
            *_numbers(pair.station),
            pair.first.setback_mm,
            *_numbers(pair.setback),
            *((None, None) if pair.lean == "cannot tell" else (pair.first.lean_deg, pair.second.lean_deg)),
            _numbers(pair.lean_along)[0],
            _numbers(pair.lean_across)[0],
        )
        marks = [csv_words(text) for text in (run.run, pair.first.mark, pair.second.mark)]
        yield [*marks, what(pair, design), *map(_cell, numbers), _yes(pair.doubtful), *of_run]
    for bolts, place, said in ((run.new, 2, ONLY_SECOND), (run.gone, 1, ONLY_FIRST)):
        for bolt in bolts:
            cells = [csv_words(run.run), "", "", said, _cell(bolt.station_mm), *[""] * 10, *of_run]
            cells[place] = csv_words(bolt.mark)
            yield cells


def _numbers(one: Difference | None) -> tuple[float | None, float | None]:
    return (None, None) if one is None else (one.mm, one.u95_mm)


def _yes(holds: bool) -> str:
    return "yes" if holds else ""


def _cell(value: float | None) -> str:
    return "" if value is None else f"{value:.2f}"
