"""The plates' sheets, paper and page: the record's numbers, doubt that shows without colour, nothing off the page."""

from __future__ import annotations

import re
from dataclasses import replace
from functools import cache
from html.parser import HTMLParser

import pypdfium2
import pypdfium2.raw as pdfium_c
import pytest

from plate_sheet_plans import PLANS, all_rows, doubtful_plan, long_plan
from sillwright.plates.findings import PlanFinding
from sillwright.tell.plate_job_rows import job_rows, short_fingerprint
from sillwright.tell.plate_run_rows import CHECK_ANGLE, run_rows
from sillwright.tell.plate_sheet_html import plates_html
from sillwright.tell.plate_sheet_pdf import FIGURE_POINTS, plates_pdf
from sillwright.tell.plate_wording import ADVISES_NOTHING_STRUCTURAL, PLATES_SAFETY

HOSTILE = "<script>alert(1)</script>\"'&<b>"
NAMES = list(PLANS)


@cache
def pdf_of(name: str, paper: str = "letter") -> pypdfium2.PdfDocument:
    return pypdfium2.PdfDocument(plates_pdf(PLANS[name], paper))  # type: ignore[arg-type]


def words_of(page: pypdfium2.PdfPage) -> str:
    return re.sub(r"\s+", " ", page.get_textpage().get_text_range())


class Cells(HTMLParser):
    """The lines of the holes' tables as cells, what is bold in them, the tags, the attributes and the text."""

    def __init__(self, text: str) -> None:
        super().__init__()
        self.tags: list[str] = []
        self.attributes: list[tuple[str, str]] = []
        self.text = ""
        self.holes: list[list[str]] = []
        self.bold: list[str] = []
        self._in: list[str] = []
        self._table = False
        self.feed(text)

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.append(tag)
        self.attributes += [(name, value or "") for name, value in attrs]
        if tag == "table":
            self._table = ("class", "figures holes") in attrs
        if self._table and tag == "tr":
            self.holes.append([])
        if self._table and tag == "td":
            self.holes[-1].append("")
        if tag not in ("meta", "img"):
            self._in.append(tag)

    def handle_endtag(self, tag: str) -> None:
        self._in.pop()

    def handle_data(self, data: str) -> None:
        if "style" in self._in:
            return
        self.text += f" {data}"
        if "b" in self._in:
            self.bold.append(data)
        if self._table and "td" in self._in:
            self.holes[-1][-1] += f" {data}"


@cache
def page_of(name: str) -> Cells:
    return Cells(plates_html(PLANS[name]))


@pytest.mark.parametrize("name", NAMES)
def test_the_page_shows_the_rows_and_no_doubtful_figure_in_bold_or_without_brackets(name: str) -> None:
    page = page_of(name)
    lines = [cells for cells in page.holes if cells]
    rows = all_rows(PLANS[name])
    assert len(lines) == len(rows)
    for cells, (_, row) in zip(lines, rows, strict=True):
        assert row.mark in cells[0]
        assert (("?" in cells[0]), ("×" in cells[0])) == (row.doubtful, not row.cells)
        line = " ".join(cells)
        for cell in row.cells:
            assert (f"({cell.along})" if row.doubtful else f" {cell.along}") in line
        assert row.tag in line
        if row.doubtful:
            assert f"({row.across})" in line


@pytest.mark.parametrize("name", NAMES)
def test_paper_shows_every_figure_and_puts_the_doubtful_ones_in_brackets(name: str) -> None:
    text = " ".join(words_of(page) for page in pdf_of(name))
    for run, row in all_rows(PLANS[name]):
        assert row.mark in text, run
        for figure in (*(cell.along for cell in row.cells), *([row.across] if row.cells else [])):
            assert (f"({figure})" if row.doubtful else figure) in text


@pytest.mark.parametrize("kind", ["html", "pdf"])
def test_what_gets_no_hole_has_no_figure_anywhere(kind: str) -> None:
    plan = doubtful_plan()
    rows = [row for _, row in all_rows(plan) if not row.cells]
    assert {row.mark for row in rows} == {"N5", "E2"}
    assert all(not row.across for row in rows)
    # E2 stands at 1100 mm, 61.7 in, 104.2 high and 3' 7 5/16" from E1; N5 at 3900 mm.
    text = page_of("doubtful").text if kind == "html" else " ".join(words_of(page) for page in pdf_of("doubtful"))
    for number in ("1100", "3900", "1299.9", "1349.7", "61.7", "104.2", '4 1/8"', "3' 7", "8.9"):
        assert number not in text
    assert not re.search(r"(?<!' )2 7/16\"", text)


def test_at_a_corner_each_layers_hole_is_on_the_sheet_of_the_plate_that_takes_it() -> None:
    plan = PLANS["corner"]
    rows = {(run, row.mark): row for run, row in all_rows(plan)}
    for bolt in ("N6", "E1"):
        on_north, on_east = rows["north", bolt], rows["east", bolt]
        assert [cell.layer for cell in on_north.cells] == [1]
        assert [cell.layer for cell in on_east.cells] == [2]
        assert [(cell.layer, cell.says) for cell in on_north.without] == [(2, "see run east")]
        assert [(cell.layer, cell.says) for cell in on_east.without] == [(1, "see run north")]
    assert "see run east" in page_of("corner").text
    assert any("see run east" in words_of(page) for page in pdf_of("corner"))


def test_a_corner_in_doubt_puts_its_pieces_in_brackets_until_the_angle_is_checked() -> None:
    plan = PLANS["corner in doubt"]
    tagged = {row.name for run in plan.runs for row in run_rows(plan, run).pieces if row.tag == CHECK_ANGLE}
    assert tagged == {"north 1.2", "north 2.2", "east 1.1", "east 2.1"}
    text = " ".join(words_of(page) for page in pdf_of("corner in doubt"))
    piece = next(row for row in run_rows(plan, plan.runs[0]).pieces if row.tag)
    assert f"({piece.line_edge})" in text
    assert CHECK_ANGLE in page_of("corner in doubt").text


@pytest.mark.parametrize("paper", ["letter", "a4"])
@pytest.mark.parametrize("name", NAMES)
def test_every_page_says_whose_it_is_and_which_of_how_many(name: str, paper: str) -> None:
    document, plan = pdf_of(name, paper), PLANS[name]
    for number, page in enumerate(document, start=1):
        text = words_of(page)
        for words in ("Lot 7", plan.date, plan.rules.name, short_fingerprint(plan), f"{number} of {len(document)}"):
            assert words in text
        assert ADVISES_NOTHING_STRUCTURAL in text


@pytest.mark.parametrize("paper", ["letter", "a4"])
@pytest.mark.parametrize("name", NAMES)
def test_nothing_runs_off_a_page_or_into_other_words(name: str, paper: str) -> None:
    for page in pdf_of(name, paper):
        across, high = page.get_size()
        text = page.get_textpage()
        boxes = [text.get_rect(place) for place in range(text.count_rects())]
        for left, bottom, right, top in boxes:
            assert min(left, across - right) >= 30, words_of(page)[:80]
            assert min(bottom, high - top) >= 10, words_of(page)[:80]
        for place, one in enumerate(boxes):
            for other in boxes[place + 1 :]:
                wide = min(one[2], other[2]) - max(one[0], other[0])
                deep = min(one[3], other[3]) - max(one[1], other[1])
                assert wide < 1.0 or deep < 1.5, (text.get_text_bounded(*one), text.get_text_bounded(*other))


@pytest.mark.parametrize("name", [name for name in NAMES if name != "empty"])
def test_figures_to_drill_from_are_14_points_high_on_paper(name: str) -> None:
    assert FIGURE_POINTS >= 14.0
    wanted = {cell.along for _, row in all_rows(PLANS[name]) for cell in row.cells}
    found = set()
    for page in pdf_of(name):
        text = page.get_textpage()
        whole = text.get_text_range()
        for figure in wanted:
            for match in re.finditer(re.escape(figure), whole):
                size = pdfium_c.FPDFText_GetFontSize(text, match.start())
                if size >= 14.0 - 1e-3:
                    found.add(figure)
    assert found == wanted


@pytest.mark.parametrize(("name", "most"), [("example", 2), ("doubtful", 3), ("sure", 1), ("one layer", 2)])
def test_a_run_takes_no_more_sheets_than_it_must_and_its_holes_stand_together(name: str, most: int) -> None:
    plan, document = PLANS[name], pdf_of(name)
    pages = [words_of(page) for page in document]
    for run in plan.runs:
        own = [text for text in pages if f"Run {run.name} " in text[:60]]
        assert 1 <= len(own) <= most
        rows = run_rows(plan, run)
        if rows.holes:
            (with_holes,) = [text for text in own if rows.holes_title in text]
            assert all(row.mark in with_holes.split(rows.holes_title)[1] for row in rows.holes)


@pytest.mark.parametrize("layers", [1, 2, 3])
def test_a_hundred_feet_with_twenty_bolts_take_three_sheets(layers: int) -> None:
    plan = long_plan(layers)
    document = pypdfium2.PdfDocument(plates_pdf(plan, "a4"))
    own = [text for text in map(words_of, document) if "Run north " in text[:60]]
    assert len(own) <= (3, 3, 4)[layers - 1]
    text = " ".join(own)
    for row in run_rows(plan, plan.runs[0]).holes:
        assert row.cells
        assert row.mark in text


@pytest.mark.parametrize("kind", ["html", "pdf"])
def test_the_job_sheet_has_cuts_shopping_rules_with_sources_and_cautions(kind: str) -> None:
    plan = PLANS["doubtful"]
    text = page_of("doubtful").text if kind == "html" else " ".join(words_of(page) for page in pdf_of("doubtful"))
    text = re.sub(r"\s+", " ", text)
    job = job_rows(plan)
    for row in job.sticks:
        assert row.pieces in text
    pieces = " ".join(row.pieces for row in job.sticks)
    assert all(piece.name in pieces for piece in plan.pieces)
    for amount, what in job.shopping:
        assert amount in text
        assert what in text
    for row in job.rule_rows:
        assert row.source in text
    for line in (*job.rule_lines, *job.outline, *job.corners, *PLATES_SAFETY):
        assert line in text
    assert ADVISES_NOTHING_STRUCTURAL in text
    assert plan.photos.fingerprint_sha256 in text


def test_hostile_names_stay_text_on_page_and_paper() -> None:
    plan = PLANS["doubtful"]
    run = replace(plan.runs[0], name=HOSTILE, line_color=HOSTILE, begins=replace(plan.runs[0].begins, other=HOSTILE))
    bolt = replace(run.bolts[0], mark=HOSTILE)
    findings = (PlanFinding("bolt-check", run=HOSTILE, marks=(HOSTILE,), told=HOSTILE, key=HOSTILE, facts=(HOSTILE,)),)
    run = replace(run, bolts=(bolt, *run.bolts[1:]))
    plan = replace(plan, job=HOSTILE, runs=(run, plan.runs[1]), findings=findings, software=HOSTILE)
    page = Cells(plates_html(plan))
    assert "script" not in page.tags
    assert not any(name.startswith("on") for name, _ in page.attributes)
    assert page.text.count(HOSTILE) >= 6
    text = " ".join(words_of(page) for page in pypdfium2.PdfDocument(plates_pdf(plan)))
    assert "<script>alert(1)" in text


def test_a_name_as_long_as_a_page_keeps_to_its_place() -> None:
    plan = replace(PLANS["sure"], job="Lot 7 on the long road by the river " * 12)
    for page in pypdfium2.PdfDocument(plates_pdf(plan)):
        text = page.get_textpage()
        rights = [text.get_rect(place)[2] for place in range(text.count_rects())]
        assert max(rights) <= page.get_size()[0] - 30


def test_the_page_loads_nothing_and_runs_nothing() -> None:
    page = page_of("doubtful")
    assert not {"script", "link", "iframe", "object", "img"} & set(page.tags)
    assert all(value.startswith("#") for name, value in page.attributes if name in ("href", "src"))
    assert ("name", "viewport") in page.attributes


@pytest.mark.parametrize("kind", ["html", "pdf"])
def test_a_job_with_nothing_planned_says_so(kind: str) -> None:
    text = page_of("empty").text if kind == "html" else " ".join(words_of(page) for page in pdf_of("empty"))
    assert "NOT PLANNED" in text
    assert "No bolt was found on this run" in text
    assert "from low end" not in text


def test_the_paper_is_the_same_for_the_same_plan() -> None:
    assert plates_pdf(PLANS["doubtful"]) == plates_pdf(PLANS["doubtful"])
