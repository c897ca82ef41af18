"""The plan as one HTML page that opens from disk, on a phone too: no script, nothing loaded, all text escaped.

A run begins on a page of its own when printed. On a narrow screen each bolt's line becomes a block with its headings.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence

from sillwright.plates.record import PlatesPlan, RunPlan
from sillwright.tell.markup import Markup, el, joined, void
from sillwright.tell.plan_svg import arrow_svg, plan_svg
from sillwright.tell.plate_before import Before, StraightenRow, before_drilling
from sillwright.tell.plate_drawing import plate_key, plate_rows
from sillwright.tell.plate_hole_rows import BOX_KEY, HoleRow
from sillwright.tell.plate_job_rows import JobRows, job_rows
from sillwright.tell.plate_run_rows import PieceRow, RunRows, run_overview, run_rows
from sillwright.tell.plate_sheet_style import PLATES_CSS
from sillwright.tell.plate_shim_rows import ShimRow
from sillwright.tell.plate_washer_rows import WasherRow
from sillwright.tell.plate_wording import (
    ADVISES_NOTHING_STRUCTURAL,
    BEFORE_TITLES,
    HOW_JUDGED,
    PLATES_SAFETY,
    RUN_CAUTIONS,
    WASHER_NEAR,
    WASHER_TO_FAR,
    WASHER_TO_LINE,
)
from sillwright.tell.plate_words import mark_parts
from sillwright.tell.sheet_style import CSS


def plates_html(plan: PlatesPlan) -> str:
    """The whole page as text, to be written as UTF-8."""
    job = job_rows(plan)
    body = el(
        "body",
        _header(job, "the whole job"),
        _contents(plan),
        _job(plan, job),
        *(_run(plan, run, number, job) for number, run in enumerate(plan.runs)),
        el("footer", f"{job.software}. {ADVISES_NOTHING_STRUCTURAL}"),
    )
    head = el(
        "head",
        void("meta", charset="utf-8"),
        void("meta", name="viewport", content="width=device-width, initial-scale=1"),
        el("title", f"{plan.job}: plates"),
        el("style", Markup(CSS + PLATES_CSS)),
    )
    return f"<!doctype html>\n{el('html', head, body, lang='en')}\n"


def _header(job: JobRows, run: str) -> Markup:
    cells = (
        ("Job", job.name),
        ("Run", run),
        ("Plan of", job.date),
        ("Rules", job.rules),
        ("Photos", f"{job.fingerprint}, {job.photos}"),
    )
    return el("header", *(el("div", el("small", head), el("b", words)) for head, words in cells))


def _contents(plan: PlatesPlan) -> Markup:
    runs = [el("a", f"Run {run.name}", href=f"#run-{number}") for number, run in enumerate(plan.runs)]
    rest = [("Cut list", "cut"), ("Shopping", "buy"), ("Rules", "rules"), ("Cautions", "mind")]
    return el("nav", *runs, *(el("a", words, href=f"#{place}") for words, place in rest))


def _job(plan: PlatesPlan, job: JobRows) -> Markup:
    parts = [el("h2", f"The job: {job.state}"), el("p", ADVISES_NOTHING_STRUCTURAL)]
    if job.decide:
        parts += [el("div", el("strong", "To decide first"), _list(job.decide), class_="note check")]
    if job.notes:
        parts += [el("h3", "To know"), _list(job.notes)]
    parts.append(el("h3", "Cut list, stick by stick", id="cut"))
    if job.sticks:
        rows = [[_box(), el("b", row.stick), row.kind, el("b", row.pieces), row.left] for row in job.sticks]
        parts += [
            el("p", job.stock_line),
            _table(("Done", "Stick", "Wood", "Pieces, in this order", "Left"), rows, kind="tick"),
        ]
    else:
        parts.append(el("p", "Nothing to cut: no run is planned."))
    parts.append(el("h3", "Shopping list", id="buy"))
    parts.append(
        _table(("Got", "How many", "What"), [[_box(), amount, what] for amount, what in job.shopping], kind="tick")
    )
    parts += [el("h3", "Square and closed"), _list((*job.corners, *job.outline))]
    parts += [el("h3", f"Rules: {job.rules}", id="rules"), el("p", HOW_JUDGED), _rules(job), _list(job.rule_lines)]
    parts.append(
        el("div", el("h3", "Before you strike, drill or bend", id="mind"), _list(PLATES_SAFETY), class_="safety")
    )
    photos = f"Photos: {job.photos}. Fingerprint of them all (SHA-256): {plan.photos.fingerprint_sha256}"
    return el("section", *parts, el("p", photos, class_="print"))


def _rules(job: JobRows) -> Markup:
    names = ("Rule", "Asks", "Meets", "DOES NOT MEET", "CANNOT TELL", "Source")
    rows = [[row.rule, row.asks, row.meets, row.fails, row.unsure, row.source] for row in job.rule_rows]
    kinds = ["check" if row.fails or row.unsure else "" for row in job.rule_rows]
    return _table(names, rows, kinds)


def _run(plan: PlatesPlan, run: RunPlan, number: int, job: JobRows) -> Markup:
    rows = run_rows(plan, run)
    before = before_drilling(plan, run, rows.holes)
    parts = [_header(job, rows.name), el("h2", f"Run {rows.name}: {rows.state}", id=f"run-{number}")]
    parts += [el("p", " ".join(rows.facts)), _before(before)]
    overview = run_overview(plan, run, rows.holes)
    if overview is not None:
        drawn = [plan_svg(row, f"Plates of run {rows.name}") for row in overview.rows]
        parts += [el("h3", "Plan of the plates, from above"), el("div", *drawn, class_="wide"), el("p", overview.key)]
    if rows.pieces:
        parts += [el("h3", "Pieces to cut"), _pieces(rows.pieces)]
    if rows.holes:
        parts += [el("h3", rows.holes_title), _holes(plan, rows), el("p", BOX_KEY)]
    if rows.washers:
        parts += [el("h3", "Plate washers"), _list(rows.washer_lines), _washers(rows.washers)]
    parts += [el("h3", "Level and shims"), el("p", rows.levels), _list(rows.shim_lines), _shims(rows.shims)]
    parts += [el("h3", "Ends and corners"), _list(rows.ends), _tape_drawing(plan, run)]
    parts.append(el("div", el("h3", "Mind"), _list(RUN_CAUTIONS), class_="safety"))
    return el("section", *parts, class_="sheet")


def _before(before: Before) -> Markup:
    groups = []
    for name, title in BEFORE_TITLES.items():
        lines = getattr(before, name)
        if lines:
            groups += [el("strong", title), _straighten(lines) if name == "straighten" else _list(lines)]
    return el("div", *groups, class_="before") if groups else Markup()


def _straighten(rows: Sequence[StraightenRow]) -> Markup:
    cells = []
    for row in rows:
        arrow = Markup() if row.arrow_deg is None else arrow_svg(row.arrow_deg)
        way = joined(arrow, " ", row.way)
        cells.append([joined(_box(), " ", el("b", row.mark, class_="mark")), el("b", row.move), row.plumb, way])
    return _table(("Bolt", "Tip comes at least", "To plumb", "Which way"), cells, kind="figures")


def _pieces(rows: Sequence[PieceRow]) -> Markup:
    cells = []
    for row in rows:
        name = joined(el("b", row.name, class_="mark"), *([el("em", row.tag)] if row.tag else []))
        edges = [_figure(edge, bool(row.tag)) for edge in (row.line_edge, row.far_edge)]
        cells.append([name, *edges, row.low_cut, row.high_cut, row.stock])
    names = ("Piece", "Chalk-line edge", "Far edge", "Low end, saw", "High end, saw", "From stock")
    return _table(names, cells, ["check" if row.tag else "" for row in rows], "figures")


def _holes(plan: PlatesPlan, rows: RunRows) -> Markup:
    layers = range(1, plan.lumber.layers + 1)
    names = ["Bolt", *(f"Layer {layer}, from low end" for layer in layers), "In from line", ""]
    lines = []
    for row in rows.holes:
        cells = _hole_cells(row, layers)
        spans = [len(names) - 1] if not row.cells else []
        lines.append(_line(names, cells, "check" if row.tag else "", spans))
    head = el("tr", *(el("th", name, scope="col") for name in names))
    table = el("table", el("thead", head), el("tbody", *lines), class_="figures holes")
    return el("div", table, class_="wide")


def _hole_cells(row: HoleRow, layers: Iterable[int]) -> list[str]:
    box = joined(_box("?" if row.doubtful else "" if row.cells else "×"), " ", el("b", row.mark, class_="mark"))
    if not row.cells:
        return [box, joined(el("em", row.tag), " ", " ".join(row.notes))]
    by_layer: dict[int, str] = {
        cell.layer: joined(_figure(cell.along, row.doubtful), el("small", f"{cell.piece}, {cell.metric}"))
        for cell in row.cells
    }
    by_layer |= {cell.layer: cell.says for cell in row.without}
    along = [by_layer[layer] for layer in layers]
    across = joined(_figure(row.across, row.doubtful), el("small", row.across_metric))
    note = joined(el("em", row.tag), el("small", "taped: ____________")) if row.tag else " ".join(row.notes)
    return [box, *along, across, note]


def _figure(words: str, doubtful: bool) -> Markup:
    """A figure to drill or cut from; in brackets and thin where it is not to be."""
    return el("span", f"({words})", class_="doubt") if doubtful else el("b", words)


def _washers(rows: Sequence[WasherRow]) -> Markup:
    near = [WASHER_NEAR] if any(row.near for row in rows) else []
    cells = [
        [
            joined(_box("?" if row.doubtful else ""), " ", el("b", row.mark, class_="mark")),
            *(row.to_line, row.to_far, row.lies),
            *([row.near] if near else []),
        ]
        for row in rows
    ]
    names = ("Bolt", WASHER_TO_LINE, WASHER_TO_FAR, "How it lies", *near)
    return _table(names, cells, ["check" if row.doubtful else "" for row in rows])


def _shims(rows: Sequence[ShimRow]) -> Markup:
    if not rows:
        return Markup()
    places = []
    for row in rows:
        height = row.height if row.doubtful else el("b", row.height)
        places.append(el("li", joined(row.at, ": ", height), el("small", row.place)))
    return el("ul", *places, class_="shims")


def _tape_drawing(plan: PlatesPlan, run: RunPlan) -> Markup:
    """The plates at 1:12 with running dimensions, for a screen: paper has the lists."""
    bolts_mm = {bolt.mark: bolt.diameter_mm for each in plan.runs for bolt in each.bolts}
    pieces = [piece.plate for piece in run.pieces]
    drawn = plate_rows(pieces, run.name, bolts_mm=bolts_mm, left_handed=run.left_handed, parts=mark_parts(plan.lumber))
    if not drawn:
        return Markup()
    rows = [plan_svg(row, f"Plates of run {run.name}, with figures") for row in drawn]
    words = el("p", plate_key(run.left_handed).replace("; see why below", "; see why above"))
    return el(
        "div",
        el("h3", "The same at 1 in to the foot, with figures"),
        el("div", *rows, class_="wide"),
        words,
        class_="screen",
    )


def _table(
    names: Sequence[str], rows: Sequence[Sequence[str]], kinds: Sequence[str] = (), kind: str = "plain"
) -> Markup:
    head = el("tr", *(el("th", name, scope="col") for name in names))
    lines = [_line(names, cells, kinds[place] if kinds else "", []) for place, cells in enumerate(rows)]
    return el("div", el("table", el("thead", head), el("tbody", *lines), class_=kind), class_="wide")


def _line(names: Sequence[str], cells: Sequence[str], kind: str, spans: Sequence[int]) -> Markup:
    """A table's line; each cell carries its heading for screens too narrow for columns."""
    made = []
    for place, (name, cell) in enumerate(zip(names, cells, strict=False)):
        wide: dict[str, str | float] = {"colspan": spans[0]} if spans and place == 1 else {}
        label: dict[str, str | float] = {"data_label": name} if name and not wide else {}
        made.append(el("td", cell, **label, **wide))
    return el("tr", *made, **({"class_": kind} if kind else {}))


def _box(inside: str = "") -> Markup:
    return el("span", inside, class_="box")


def _list(lines: Iterable[str]) -> Markup:
    said = [el("li", line) for line in lines]
    return el("ul", *said) if said else Markup()
