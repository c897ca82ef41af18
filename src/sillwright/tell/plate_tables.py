"""The plan on a terminal: the pieces of each run, and what somebody must decide."""

from __future__ import annotations

from collections.abc import Iterator

from rich.console import RenderableType
from rich.table import Table
from rich.text import Text

from sillwright.lengths import format_feet_inches
from sillwright.plates.record import PlatesPlan, RunPlan
from sillwright.tell.plate_findings import about, explain_plan, notes, to_decide
from sillwright.tell.plate_view import SQUARE_TO_DEG
from sillwright.tell.plate_words import mark_parts, stretch_words
from sillwright.tell.wording import ADVISES


def pieces_table(plan: PlatesPlan, run: RunPlan) -> RenderableType:
    """The pieces of a run: what to cut, out of what, and how many holes; a line in its place where there are none."""
    if not run.pieces:
        return Text(f"Run {run.name}: not planned, see below", style="bold yellow")
    table = Table(title=Text(f"Run {run.name}", style="bold"), title_justify="left", box=None, pad_edge=False)
    for place, heading in enumerate(
        ("Piece", "Chalk-line edge", "Long points", "Low end", "High end", "From stock", "Holes")
    ):
        table.add_column(heading, overflow="fold", no_wrap=place in (0, 1, 2, 5))
    parts, sticks_mm = mark_parts(plan.lumber), plan.sticks_mm
    for piece in run.pieces:
        lengths = (format_feet_inches(mm, parts) for mm in (piece.line_edge_mm, piece.longest_mm))
        ends = (_cut(cut_deg) for cut_deg in (piece.plate.low_cut_deg, piece.plate.high_cut_deg))
        stock = format_feet_inches(sticks_mm.get(piece.plate.name, piece.stock_mm))
        holes = str(len(piece.plate.holes))
        table.add_row(*(Text(cell) for cell in (piece.plate.name, *lengths, *ends, stock, holes)))
    return table


def _cut(cut_deg: float) -> str:
    """How an end is cut, short enough for a column."""
    if abs(cut_deg) < SQUARE_TO_DEG:
        return "square"
    return f"{abs(cut_deg):.1f}°, {'far' if cut_deg > 0.0 else 'line'} edge long"


def added_anchors(plan: PlatesPlan) -> Iterator[str]:
    """Each anchor that a piece wants added, and where."""
    for run in plan.runs:
        for layer, splice in enumerate(run.splices, start=1):
            for anchor in splice.added:
                where = stretch_words(anchor, run.first_low_mm, mark_parts(plan.lumber))
                yield (
                    f"Run {run.name}, layer {layer}: an anchor to add, if approved, {where} from the first plate's "
                    "low end."
                )


def plan_lines(plan: PlatesPlan) -> Iterator[str]:
    """What needs a decision, then what is only told, then what the plan is not."""
    deciding = to_decide(plan.findings)
    if deciding:
        yield "To decide first:"
    for finding in deciding:
        yield f"  {about(finding)}: {explain_plan(finding)}"
    for line in added_anchors(plan):
        yield f"  {line}"
    for finding in notes(plan.findings):
        yield f"  Note. {about(finding)}: {explain_plan(finding)}"
    yield f"Rules: {plan.rules.name}. {ADVISES} The local code, the drawings and the engineer come first."
