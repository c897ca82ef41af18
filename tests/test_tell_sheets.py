"""The HTML page, the PDF sheet and the report folder."""

from __future__ import annotations

import re
from dataclasses import replace
from datetime import date
from html.parser import HTMLParser
from pathlib import Path

import numpy as np
import pypdfium2
import pytest

from sillwright.survey import BoltRecord, BoltU95, CardRecord, CornerRecord, Finding, PhotoRecord, RunRecord, Survey
from sillwright.survey_file import read_survey, write_survey
from sillwright.tell.lettering import printable
from sillwright.tell.plan import plan_rows
from sillwright.tell.reasons import explain
from sillwright.tell.report import file_names, write_report
from sillwright.tell.sheet_html import Picture, SheetPictures, sheet_html
from sillwright.tell.sheet_pdf import sheet_pdf
from sillwright.tell.wording import PHOTO_KEY, SAFETY, corner_line
from test_tell_truth import doubtful_survey, scene_folder, truth_survey

DAY = date(2026, 11, 25)
HOSTILE = "<script>alert(1)</script>\"'&<b>"
U95 = BoltU95(0.6, 0.5, 0.8, 0.8, 0.6, 1.4)


def small_survey(name: str = "Lot 7", **bolt_changes: object) -> Survey:
    good = BoltRecord("N1", 412.3, 69.8, 6.0, 5.0, 5.4, 82.4, "photos", 12.7, U95, ("1.jpg",), "ok")
    other = replace(replace(good, mark="N2", station_mm=1233.0, setback_mm=61.7), **bolt_changes)  # type: ignore[arg-type]
    cards = (
        CardRecord(1, 0.0, 31.0, 1.0, 0.0, (Finding("card-curled", cards=(1,)),)),
        CardRecord(2, 1500.0, 30.0, 0.0),
    )
    run = RunRecord(
        "north", "check", (Finding("scale-not-taped", cards=(1, 2)),), (good, other), cards, scale_u95_ratio=0.001
    )
    corner = CornerRecord(("north", "east"), None, None, {}, "reshoot", (Finding("no-crossing"),))
    photo = PhotoRecord("1.jpg", False, "reshoot", (Finding("blurred", photos=("1.jpg",)),))
    return Survey(name, (run,), (corner,), (photo,))


class Page(HTMLParser):
    """The tags, attributes and text of a page."""

    def __init__(self, text: str) -> None:
        super().__init__()
        self.tags: list[str] = []
        self.attributes: list[tuple[str, str]] = []
        self.text = ""
        self._quiet = False
        self.feed(text)

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.append(tag)
        self.attributes += [(name, value or "") for name, value in attrs]
        self._quiet = tag == "style"

    def handle_endtag(self, tag: str) -> None:
        self._quiet = False

    def handle_data(self, data: str) -> None:
        self.text += "" if self._quiet else f"{data}"


def pdf_text(content: bytes) -> str:
    document = pypdfium2.PdfDocument(content)
    return re.sub(r"\s+", " ", " ".join(page.get_textpage().get_text_range() for page in document))


def test_hostile_names_stay_text_everywhere_on_the_page() -> None:
    survey = small_survey(HOSTILE, mark=HOSTILE, status="check", reasons=(Finding("blurred", photos=(HOSTILE,)),))
    run = replace(survey.runs[0], name=HOSTILE, line_color=HOSTILE)
    photo = replace(survey.photos[0], file=HOSTILE)
    survey = replace(survey, runs=(run,), photos=(photo,), software=HOSTILE)
    pictures = SheetPictures({HOSTILE: Picture(b"x", HOSTILE)}, {HOSTILE: Picture(b"x", HOSTILE)})
    page = Page(sheet_html(survey, DAY, pictures))
    assert "script" not in page.tags
    assert not any(name.startswith("on") for name, _ in page.attributes)
    assert page.text.count(HOSTILE) >= 8


def test_the_page_loads_nothing_and_links_only_beside_itself() -> None:
    survey = small_survey()
    pictures = SheetPictures(
        {"north": Picture(b"x", "pictures/run-north.jpg")}, {"1.jpg": Picture(b"x", "javascript:x")}
    )
    page = Page(sheet_html(survey, DAY, pictures))
    for name, value in page.attributes:
        if name in ("src", "href", "action", "data", "srcset"):
            assert re.match(r"(data:image/jpeg;base64,|#|pictures/|javascript%3A)", value), value
    assert not {"script", "link", "iframe", "object"} & set(page.tags)


@pytest.mark.parametrize("kind", ["html", "pdf"])
def test_no_number_of_a_bolt_to_shoot_again_reaches_the_sheet(kind: str) -> None:
    survey = small_survey(status="reshoot", reasons=(Finding("weak-evidence"),), lean_deg=7.7)
    text = Page(sheet_html(survey, DAY)).text if kind == "html" else pdf_text(sheet_pdf(survey, DAY))
    assert "69.8" in text
    assert "no number: shoot it again" in text
    for hidden in ("1233", "61.7", "4' 0 9/16", '2 7/16"', "7.7"):
        assert hidden not in text


@pytest.mark.parametrize("kind", ["html", "pdf"])
def test_each_sheet_has_the_cautions_the_reasons_and_the_widths(kind: str) -> None:
    survey = small_survey(status="check", reasons=(Finding("wide-interval", value_mm=1.9),))
    text = Page(sheet_html(survey, DAY)).text if kind == "html" else pdf_text(sheet_pdf(survey, DAY))
    for caution in SAFETY:
        assert caution in text
    run = survey.runs[0]
    assert explain(run.bolts[1].reasons[0], "bolt") in text
    assert explain(run.reasons[0], "run") in text
    assert explain(run.cards[0].reasons[0], "card") in text
    assert explain(survey.corners[0].reasons[0], "corner") in text
    assert explain(survey.photos[0].reasons[0], "photo") in text
    assert "69.8 ± 0.5 mm" in text
    assert "CHECK Not sure to 1/16" in text
    assert "1 part in 1000" in text
    assert "No source sets a straightening limit" in text
    assert "2026-11-25" in text


@pytest.mark.parametrize("paper", ["letter", "a4"])
def test_the_pdf_sheet_is_upright_and_takes_hostile_and_foreign_names(paper: str) -> None:
    survey = replace(small_survey(HOSTILE + " 日本\x00\n", mark=HOSTILE), software=HOSTILE)
    content = sheet_pdf(survey, DAY, paper)  # type: ignore[arg-type]
    width, height = pypdfium2.PdfDocument(content)[0].get_size()
    assert (round(width), round(height)) == ((612, 792) if paper == "letter" else (595, 842))
    assert "<script>alert(1)" in pdf_text(content)


def test_each_page_on_which_a_run_goes_on_is_headed_with_its_name() -> None:
    survey = small_survey()
    run = survey.runs[0]
    many = tuple(replace(run.bolts[0], mark=f"N{n}", station_mm=300.0 * n) for n in range(40))
    survey = replace(survey, runs=(replace(run, bolts=many), replace(run, name="east")))
    pages = [page.get_textpage().get_text_range() for page in pypdfium2.PdfDocument(sheet_pdf(survey, DAY))]
    first_of_east = next(n for n, text in enumerate(pages) if "Run east\r\n" in text)
    assert "continued" not in pages[0]
    assert first_of_east > 2
    for text in pages[1:first_of_east]:
        assert text.startswith("Run north, continued")
    begins = [n for n, text in enumerate(pages) if n > first_of_east and text.startswith("Run east, continued")]
    last_of_east = next(n for n, text in enumerate(pages) if "Corners" in text)
    assert begins == list(range(first_of_east + 1, last_of_east + 1))
    assert not any("continued" in text for text in pages[last_of_east + 1 :])


def test_every_sheet_gives_a_corner_the_same_width_as_the_one_function_rounds_it() -> None:
    corner = CornerRecord(("north", "east"), 97.004, 0.0412, {}, "ok")
    survey = replace(small_survey(), corners=(corner,))
    line = corner_line(corner)
    assert "97.00 ± 0.05°" in line
    assert line in Page(sheet_html(survey, DAY)).text
    assert line in pdf_text(sheet_pdf(survey, DAY))


def test_the_page_says_what_is_drawn_on_its_photos_where_it_has_any() -> None:
    survey = small_survey()
    assert PHOTO_KEY in Page(sheet_html(survey, DAY, SheetPictures({}, {"1.jpg": Picture(b"x")}))).text
    assert PHOTO_KEY not in Page(sheet_html(survey, DAY)).text


def test_the_cautions_name_what_harms() -> None:
    text = " ".join(SAFETY)
    for word in ("eye protection", "dust mask", "silica", "1926.1153", "open edges", "trip and impalement", "engineer"):
        assert word in text


def test_the_pdf_is_the_same_for_the_same_survey() -> None:
    assert sheet_pdf(small_survey(), DAY) == sheet_pdf(small_survey(), DAY)


def test_an_empty_job_still_makes_sheets() -> None:
    survey = Survey("empty", (RunRecord("north", "reshoot", (Finding("no-bolts"),), (), ()),), (), ())
    assert "No bolt was found" in Page(sheet_html(survey, DAY)).text
    assert "No bolt was found" in pdf_text(sheet_pdf(survey, DAY))


def test_a_letter_the_typeface_lacks_is_a_question_mark_not_a_gap() -> None:
    assert printable("Lot 日 7") == "Lot ? 7"
    assert printable("a\x1b\u202eb") == "a??b"


@pytest.mark.parametrize("scene", ["d2", "d3"])
def test_the_plan_is_to_scale_with_each_bolt_at_its_setback(scene: str) -> None:
    """1:12: an inch on paper is a foot on the wall."""
    survey = truth_survey(scene)
    run = survey.runs[0]
    rows = plan_rows(survey, run)
    rings = [ring for row in rows for ring in row.rings if ring.pen == "bolt"]
    chalk_y = next(stroke for stroke in rows[0].strokes if stroke.pen == "chalk").points[0][1]
    first_row = [ring for ring in rows[0].rings if ring.pen == "bolt"]
    bolts = sorted(run.bolts, key=lambda b: b.station_mm or 0.0)
    assert len(rings) == len(bolts)
    side = 1.0 if scene == "d3" else -1.0
    for ring, bolt in zip(first_row, bolts, strict=False):
        assert ring.centre[1] - chalk_y == pytest.approx(side * bolt.setback_mm / 12.0)
    assert first_row[1].centre[0] - first_row[0].centre[0] == pytest.approx(
        (bolts[1].station_mm - bolts[0].station_mm) / 12.0
    )


def test_words_on_the_plan_do_not_run_into_each_other_where_bolts_stand_close() -> None:
    survey = small_survey()
    bolt = survey.runs[0].bolts[0]
    pair = (bolt, replace(bolt, mark="N2", station_mm=bolt.station_mm + 90.0))
    rows = plan_rows(survey, replace(survey.runs[0], bolts=pair))
    heights = {words.at[1] for row in rows for words in row.words if words.text in ("N1", "N2")}
    assert len(heights) == 2


@pytest.mark.parametrize(
    "names",
    [
        ["north/1.jpg", "north-1.jpg", "NORTH/1.JPG"],
        ["../../etc/passwd", "/etc/passwd", "..", ""],
        ["a" * 300 + ".jpg", "a" * 299 + "b.jpg"],
        ["日本.jpg", "中国.jpg", "\x00.jpg"],
    ],
)
def test_file_names_are_safe_short_and_all_different(names: list[str]) -> None:
    made = file_names(names)
    assert len({name.lower() for name in made.values()}) == len(names)
    for name in made.values():
        assert re.fullmatch(r"[A-Za-z0-9_-]{1,64}", name)


def test_a_report_is_made_again_from_its_survey_file(tmp_path: Path) -> None:
    survey = doubtful_survey("d3")
    write_survey(survey, tmp_path / "survey.json")
    again = read_survey(tmp_path / "survey.json")
    paths = write_report(again, tmp_path / "out", scene_folder("d3"), made_on=DAY)
    assert [path.name for path in paths.photos] == [f"photo-d3_0{n}.jpg" for n in (1, 2, 3, 4)]
    assert [path.name for path in paths.strips] == ["run-main.jpg"]
    assert paths.html.stat().st_size < 4_000_000
    page = Page(paths.html.read_text(encoding="utf-8"))
    assert page.tags.count("img") == 5
    assert "gone/dark.jpg" in page.text
    assert "No picture here" in page.text
    for name, value in page.attributes:
        if name == "href" and value.startswith("pictures/"):
            assert (tmp_path / "out" / value).is_file()
    left = sorted(path.name for path in (tmp_path / "out").rglob("*") if path.name.startswith("."))
    assert left == []


def test_a_photo_other_than_the_one_measured_is_not_drawn_on(tmp_path: Path) -> None:
    survey = small_survey()
    photo = replace(survey.photos[0], sha256="0" * 64)
    import cv2

    cv2.imwrite(str(tmp_path / "1.jpg"), np.full((60, 80, 3), 128, np.uint8))
    as_measured = write_report(survey, tmp_path / "a", tmp_path, made_on=DAY)
    changed = write_report(replace(survey, photos=(photo,)), tmp_path / "b", tmp_path, made_on=DAY)
    assert len(as_measured.photos) == 1
    assert changed.photos == ()
