"""The report as one HTML page that opens from disk: no script, nothing loaded from anywhere, all text escaped."""

from __future__ import annotations

import base64
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from datetime import date
from urllib.parse import quote

from sillwright.survey import PhotoRecord, RunRecord, Status, Survey
from sillwright.tell.markup import Markup, el, joined, void
from sillwright.tell.plan import plan_key, plan_rows
from sillwright.tell.plan_svg import arrow_svg, plan_svg
from sillwright.tell.reasons import explain
from sillwright.tell.rows import STATUS_WORDS, HoleRow, LeanRow, Shown, along_title, hole_rows, lean_rows, zero_words
from sillwright.tell.sheet_style import CSS
from sillwright.tell.wording import (
    ADVISES,
    HOW_TO_READ,
    NO_BOLTS,
    PHOTO_KEY,
    SAFETY,
    STRAIGHTENING,
    corner_line,
    job_line,
    job_status,
    photo_line,
    reshoot_lines,
    run_facts,
    run_findings,
    scale_statement,
)


@dataclass(frozen=True)
class Picture:
    """A picture of modest size to set into a sheet, and where the full one lies beside the page, if it does."""

    jpeg: bytes
    link: str = ""


@dataclass(frozen=True)
class SheetPictures:
    """The pictures of a report: strips by run name, photos by their ``file``."""

    strips: Mapping[str, Picture] = field(default_factory=dict)
    photos: Mapping[str, Picture] = field(default_factory=dict)


def sheet_html(survey: Survey, made_on: date, pictures: SheetPictures | None = None) -> str:
    """The whole page as text, to be written as UTF-8."""
    pictures = pictures or SheetPictures()
    body = el(
        "body",
        _title_block(survey, made_on),
        _again(survey),
        _contents(survey),
        *(_run(survey, run, number, pictures) for number, run in enumerate(survey.runs)),
        _corners(survey),
        el("h2", "How to read this sheet", id="read"),
        _list(HOW_TO_READ),
        el("p", STRAIGHTENING),
        el("div", el("h3", "Before you strike, drill or bend"), _list(SAFETY), class_="safety"),
        _photos(survey, pictures),
        el("footer", f"{survey.software}. {ADVISES}" if survey.software else ADVISES),
    )
    head = el(
        "head",
        void("meta", charset="utf-8"),
        void("meta", name="viewport", content="width=device-width, initial-scale=1"),
        el("title", f"{survey.name}: anchor bolts"),
        el("style", Markup(CSS)),
    )
    return f"<!doctype html>\n{el('html', head, body, lang='en')}\n"


def _title_block(survey: Survey, made_on: date) -> Markup:
    runs = ", ".join(run.name for run in survey.runs)
    return el(
        "header",
        el("div", el("small", "Job"), el("h1", survey.name)),
        el("div", el("small", "Runs"), runs or "none"),
        el("div", el("small", "Sheet made"), made_on.isoformat()),
        el("div", el("small", "State"), _status(job_status(survey)), ". ", job_line(survey)),
    )


def _again(survey: Survey) -> Markup:
    lines = reshoot_lines(survey)
    if not lines:
        return Markup()
    return el("div", el("strong", "Shoot again before marking"), _list(lines), class_="note reshoot")


def _contents(survey: Survey) -> Markup:
    links = [el("a", f"Run {run.name}", href=f"#run-{number}") for number, run in enumerate(survey.runs)]
    corners = [el("a", "Corners", href="#corners")] if survey.corners else []
    rest = [el("a", "How to read", href="#read"), el("a", "Photos", href="#photos")]
    return el("nav", *links, *corners, *rest)


def _run(survey: Survey, run: RunRecord, number: int, pictures: SheetPictures) -> Markup:
    holes, leans = hole_rows(run), lean_rows(survey, run)
    findings = run_findings(run)
    parts = [el("h2", f"Run {run.name}", id=f"run-{number}")]
    if run.status != "ok" or findings:
        said = findings or ("No reason was recorded.",)
        strong = el("strong", f"This run: {STATUS_WORDS[run.status]}")
        parts.append(el("div", strong, _list(said), class_=f"note {run.status}"))
    parts += [el("p", " ".join(run_facts(survey, run))), el("p", scale_statement(run))]
    parts += [el("h3", "Hole-marking list"), el("p", zero_words(run)), _hole_table(run, holes)]
    parts.append(_explained(holes))
    parts += [el("h3", "Plan, to scale"), el("div", *_plan(survey, run), class_="wide"), el("p", plan_key(run))]
    strip = pictures.strips.get(run.name)
    if strip is not None:
        words = (
            "The run from above, laid flat from the photos. What stands up is true only where it meets the concrete."
        )
        parts.append(_figure(strip, f"Run {run.name} from above", words, "strip"))
    parts += [el("h3", "Bolt-straightening list"), _lean_table(leans)]
    return el("section", *parts)


def _plan(survey: Survey, run: RunRecord) -> Iterable[Markup]:
    return (plan_svg(row, f"Plan of run {run.name}") for row in plan_rows(survey, run))


def _hole_table(run: RunRecord, rows: tuple[HoleRow, ...]) -> Markup:
    if not rows:
        return el("p", NO_BOLTS)
    names = ("Bolt", along_title(run), "From previous bolt", "In from the line", "Status and why")
    head = el("tr", *(el("th", name, scope="col") for name in names))
    return el("div", el("table", el("thead", head), el("tbody", *map(_hole_row, rows))), class_="wide")


def _hole_row(row: HoleRow) -> Markup:
    why = el("span", _status(row.status), " ", "; ".join(row.why))
    mark = el("td", row.mark, class_="mark")
    if row.status == "reshoot":
        return el("tr", mark, el("td", "no number: shoot it again", colspan=3), el("td", why), class_="reshoot")
    numbers = (el("td", _number(number)) for number in (row.along, row.from_previous, row.setback))
    return el("tr", mark, *numbers, el("td", why), class_=row.status)


def _number(number: Shown | None) -> Markup:
    if number is None:
        return Markup("–")
    first = el("span", el("b", number.inches), " ", number.plus_minus, class_="pm")
    return joined(first, el("small", number.metric))


def _explained(rows: tuple[HoleRow, ...]) -> Markup:
    lines = [f"{row.mark}. {sentence}" for row in rows for sentence in row.explained]
    return _list(lines) if lines else Markup()


def _lean_table(rows: tuple[LeanRow, ...]) -> Markup:
    if not rows:
        return el("p", NO_BOLTS)
    names = ("Bolt", "Lean", "What to do", "Tip must come", "", "Which way", "Why")
    head = el("tr", *(el("th", name, scope="col") for name in names))
    return el("div", el("table", el("thead", head), el("tbody", *map(_lean_row, rows))), class_="wide")


def _lean_row(row: LeanRow) -> Markup:
    arrow = Markup() if row.arrow_deg is None else arrow_svg(row.arrow_deg)
    cells = (
        el("td", row.mark, class_="mark"),
        el("td", row.lean or "–", class_="pm"),
        el("td", row.verdict, class_="pm"),
        el("td", _number(row.tip_move)),
        el("td", arrow),
        el("td", row.way),
        el("td", "; ".join(row.why)),
    )
    return el("tr", *cells)


def _corners(survey: Survey) -> Markup:
    if not survey.corners:
        return Markup()
    lines = [
        " ".join([corner_line(corner), *(explain(reason, "corner") for reason in corner.reasons)])
        for corner in survey.corners
    ]
    return joined(el("h2", "Corners", id="corners"), _list(lines))


def _photos(survey: Survey, pictures: SheetPictures) -> Markup:
    figures = [_photo(photo, pictures.photos.get(photo.file)) for photo in survey.photos]
    key = el("p", PHOTO_KEY) if pictures.photos else Markup()
    return joined(el("h2", "Photos", id="photos"), key, el("div", *figures, class_="photos"))


def _photo(photo: PhotoRecord, picture: Picture | None) -> Markup:
    said = [el("b", photo.file), f": {photo_line(photo)}. "]
    said.append(" ".join(explain(reason, "photo") for reason in photo.reasons))
    if picture is None:
        said.append(" No picture here: the file is missing, damaged, or not the one that was measured.")
        return el("figure", el("figcaption", *said))
    return _figure(picture, photo.file, joined(*said), "")


def _figure(picture: Picture, alt: str, words: str, kind: str) -> Markup:
    source = "data:image/jpeg;base64," + base64.b64encode(picture.jpeg).decode("ascii")
    image = void("img", src=source, alt=alt)
    shown = el("a", image, href=quote(picture.link)) if picture.link else image
    return el("figure", el("div", shown, class_=kind), el("figcaption", words))


def _status(status: Status) -> Markup:
    return el("span", STATUS_WORDS[status], class_=f"status {status}")


def _list(lines: Iterable[str]) -> Markup:
    return el("ul", *(el("li", line) for line in lines))
