"""The two lists as tables for a terminal."""

from __future__ import annotations

from rich.console import Group, RenderableType
from rich.table import Table
from rich.text import Text

from sillwright.judge.straighten import NUT_BEARS_FLAT_DEG
from sillwright.survey import RunRecord, Status, Survey
from sillwright.tell.rows import STATUS_WORDS, Shown, along_title, hole_rows, lean_rows, zero_words
from sillwright.tell.wording import run_findings

_STYLES: dict[Status, str] = {"ok": "", "check": "bold yellow", "reshoot": "bold red"}


def hole_table(run: RunRecord) -> RenderableType:
    """The hole-marking list of a run, with what holds for the whole run above it and each reason in words below."""
    rows = hole_rows(run)
    table = _table(
        f"Run {run.name}: hole-marking list", "Bolt", along_title(run), "From previous", "In from line", "Why"
    )
    for row in rows:
        status = Text(STATUS_WORDS[row.status], style=_STYLES[row.status])
        why = Text("; ".join(row.why))
        if row.status == "reshoot":
            table.add_row(Text(row.mark), Text("no number"), Text(), Text(), Text.assemble(status, " ", why))
            continue
        cells = (_number(row.along), _number(row.from_previous), _number(row.setback))
        table.add_row(Text(row.mark), *cells, Text.assemble(status, " ", why))
    notes = [Text(f"{row.mark}. {sentence}") for row in rows for sentence in row.explained]
    above = (
        [Text(f"Run {run.name}: {STATUS_WORDS[run.status]}", style=_STYLES[run.status])] if run.status != "ok" else []
    )
    above += [Text(sentence) for sentence in run_findings(run)]
    return Group(*above, table, Text(zero_words(run)), *notes)


def lean_table(survey: Survey, run: RunRecord, limit_deg: float = NUT_BEARS_FLAT_DEG) -> RenderableType:
    """The bolt-straightening list of a run; arrows show the wall from above with stations rising to the right."""
    title = f"Run {run.name}: bolt-straightening list (limit {limit_deg:.1f}°)"
    table = _table(title, "Bolt", "Lean", "What to do", "Tip must come", "Which way", "Why")
    for row in lean_rows(survey, run, limit_deg):
        way = f"{row.arrow} {row.way}".strip()
        cells = (row.mark, row.lean or "–", row.verdict)
        table.add_row(*map(Text, cells), _number(row.tip_move), Text(way), Text("; ".join(row.why)))
    return table


def _table(title: str, *headings: str) -> Table:
    table = Table(title=Text(title, style="bold"), title_justify="left", box=None, pad_edge=False, show_edge=False)
    for heading in headings:
        table.add_column(Text(heading), overflow="fold")
    return table


def _number(number: Shown | None) -> Text:
    if number is None:
        return Text("–")
    return Text.assemble((number.inches, "bold"), f" {number.plus_minus}\n{number.metric}")
