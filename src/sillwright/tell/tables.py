"""The two lists as tables for a terminal."""

from __future__ import annotations

from collections.abc import Sequence

from rich.console import Group, RenderableType
from rich.table import Table
from rich.text import Text

from sillwright.judge.straighten import NUT_BEARS_FLAT_DEG
from sillwright.survey import RunRecord, Status, Survey
from sillwright.tell.rows import STATUS_WORDS, Shown, along_title, hole_rows, lean_rows, zero_words
from sillwright.tell.wording import run_findings

_STYLES: dict[Status, str] = {"ok": "", "check": "bold yellow", "reshoot": "bold red"}


def hole_table(run: RunRecord) -> RenderableType:
    """The hole-marking list of a run, with what holds for the whole run above it and each reason in words below.

    Where no bolt was found there is no list, only what there is to say of the run.
    """
    rows = hole_rows(run)
    headings = ("Bolt", along_title(run), "From previous", "In from the line", "Status and why")
    table = plain_table(f"Run {run.name}: hole-marking list", headings, numbers=(1, 2, 3))
    for row in rows:
        why = Text.assemble((STATUS_WORDS[row.status], _STYLES[row.status]), " ", _clean("; ".join(row.why)))
        if row.status == "reshoot":
            table.add_row(plain_text(row.mark), Text("no number"), Text("–"), Text("–"), why)
            continue
        table.add_row(plain_text(row.mark), *map(_number, (row.along, row.from_previous, row.setback)), why)
    above = []
    if run.status != "ok":
        above.append(plain_text(f"Run {run.name}: {STATUS_WORDS[run.status]}", _STYLES[run.status]))
    above += [plain_text(sentence) for sentence in run_findings(run)]
    if not rows:
        return Group(*above)
    notes = [plain_text(f"{row.mark}. {sentence}") for row in rows for sentence in row.explained]
    return Group(*above, table, plain_text(zero_words(run)), *notes)


def lean_table(survey: Survey, run: RunRecord, limit_deg: float = NUT_BEARS_FLAT_DEG) -> RenderableType:
    """The bolt-straightening list of a run; arrows show the wall from above with stations rising to the right."""
    title = f"Run {run.name}: bolt-straightening list (limit {limit_deg:.1f}°)"
    headings = ("Bolt", "Lean", "What to do", "Tip must come", "Which way", "Why")
    table = plain_table(title, headings, numbers=(1, 3))
    for row in lean_rows(survey, run, limit_deg):
        way = f"{row.arrow} {row.way}".strip()
        cells = (row.mark, row.lean or "–", row.verdict)
        table.add_row(*map(plain_text, cells), _number(row.tip_move), plain_text(way), plain_text("; ".join(row.why)))
    return table


def plain_table(title: str, headings: Sequence[str], numbers: Sequence[int]) -> Table:
    """A table without rules; a number is never broken off from its ±."""
    table = Table(title=plain_text(title, "bold"), title_justify="left", box=None, pad_edge=False, show_edge=False)
    for place, heading in enumerate(headings):
        table.add_column(plain_text(heading), overflow="fold", no_wrap=place in numbers)
    return table


def _number(number: Shown | None) -> Text:
    if number is None:
        return Text("–")
    return Text.assemble((number.inches, "bold"), f" {number.plus_minus}\n{number.metric}")


def plain_text(words: str, style: str = "") -> Text:
    """Words as they are, without markup, and without what could steer a terminal."""
    return Text(_clean(words), style=style)


def _clean(words: str) -> str:
    """Without what could steer a terminal: a photo's name may hold anything."""
    return "".join(letter if letter.isprintable() else "?" for letter in words)
