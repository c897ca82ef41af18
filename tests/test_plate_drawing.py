"""The drawing of a run's plates is read in the rain: right numbers, in their place, none over another."""

from __future__ import annotations

import io
from dataclasses import replace
from xml.etree import ElementTree

import numpy as np
import pypdfium2
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from reportlab.lib.pagesizes import LETTER
from reportlab.platypus import SimpleDocTemplate

from plate_pieces import BOLTS_MM, EAST, INCH_MM, JOB, NORTH, WIDE_MM, hole, long_piece
from sillwright.plates.piece import Hole
from sillwright.tell.plan import FULL_ROW_MM
from sillwright.tell.plan_pdf import PlanDrawing
from sillwright.tell.plan_svg import plan_svg
from sillwright.tell.plate_drawing import plate_key, plate_notes, plate_rows
from sillwright.tell.plate_labels import FIGURE_MM, Label, crossings, place_labels


def rows_of(pieces, run="north", left_handed=False, bolts_mm=BOLTS_MM):
    return plate_rows(pieces, run, bolts_mm=bolts_mm, left_handed=left_handed)


def words_of(rows):
    return [words.text for row in rows for words in row.words]


def lines_of(rows, pen):
    return [stroke.points for row in rows for stroke in row.strokes if stroke.pen == pen]


def test_a_run_is_drawn_at_an_inch_to_the_foot():
    (row,) = rows_of([long_piece([hole("N1", 12, 2.7)])])
    (chalk,) = lines_of([row], "chalk")
    assert chalk[1][0] - chalk[0][0] == pytest.approx(5 * INCH_MM)
    (ring,) = row.rings
    assert ring.centre[0] - chalk[0][0] == pytest.approx(INCH_MM)
    assert ring.radius == pytest.approx(9 / 32 * INCH_MM / 12)


@pytest.mark.parametrize(("left_handed", "way"), [(False, -1), (True, 1), (None, -1)])
def test_the_chalk_line_edge_is_below_the_hole_or_above_it_by_the_side_of_the_run(left_handed, way):
    (row,) = rows_of([long_piece([hole("N1", 12, 2.0)])], left_handed=left_handed)
    (chalk,) = lines_of([row], "chalk")
    (ring,) = row.rings
    assert ring.centre[1] - chalk[0][1] == pytest.approx(way * 2.0 * INCH_MM / 12)
    far = max((line[0][1] for line in lines_of([row], "edge")), key=lambda y: abs(y - chalk[0][1]))
    assert far - chalk[0][1] == pytest.approx(way * WIDE_MM / 12)


def test_a_long_run_breaks_into_rows_of_one_length_that_hold_every_hole_once():
    rows = rows_of(NORTH)
    assert len(rows) == 3
    assert len({round(row.width, 6) for row in rows}) == 1
    assert rows[0].width <= FULL_ROW_MM
    assert sum(len(row.rings) for row in rows) == 6


@settings(max_examples=40, deadline=None)
@given(st.floats(300, 9000))
def test_edges_over_all_rows_are_as_long_as_the_piece(length_mm):
    rows = rows_of([long_piece(length_mm=length_mm, high_cut_deg=30.0)])
    drawn = sum(abs(points[1][0] - points[0][0]) for points in lines_of(rows, "chalk"))
    assert 12 * drawn == pytest.approx(length_mm, abs=1e-6)
    for row in rows:
        xs = [x for stroke in row.strokes for x, _ in stroke.points]
        assert min(xs) >= -1e-9
        assert max(xs) <= row.width + 1e-9


def test_figures_run_from_the_low_end_of_the_piece_the_hole_is_in():
    words = words_of(rows_of(NORTH))
    # NO4 stands at 10' 8 5/8" of the run, in the piece that begins at 10 ft.
    for figure in ('9"', "5' 2 5/16\"", "9' 3 3/8\"", '8 5/8"', "4' 3 3/16\"", "7' 2\""):
        assert figure in words
    for small in ('NO1  in 2 3/4"', 'NO4  in 2 3/4"', 'NO5  in 3 1/16"'):
        assert small in words
    assert words.count("0") == 2


def test_ends_say_how_they_are_cut_how_long_the_piece_is_and_where_it_joins():
    words = words_of(rows_of(NORTH))
    assert "N1 high end, square" in words
    assert "N2 low end at the joint, square" in words
    assert "N2 high end, 41.5° off square, long point on the far edge" in words
    assert {"10' 0\"", "8' 0\""} <= set(words)


@pytest.mark.parametrize(("gap_mm", "joined"), [(0.0, True), (3.0, True), (3.1, False)])
def test_ends_further_apart_than_a_kerf_are_no_joint(gap_mm, joined):
    first = long_piece(length_mm=600.0)
    second = long_piece(name="P2", low_mm=600.0 + gap_mm, high_mm=1200.0)
    assert any("at the joint" in words for words in words_of(rows_of([first, second]))) == joined


def test_the_second_layer_is_drawn_above_the_first():
    for row in rows_of(JOB):
        at = {words.text.split(",")[0]: words.at[1] for words in row.words if words.text.startswith("Layer")}
        assert at["Layer 2"] < at["Layer 1"]


def test_a_row_in_the_midst_of_a_piece_names_it():
    middle = rows_of([long_piece(length_mm=20 * 304.8)])[1]
    assert "P1 goes on" in words_of([middle])


def test_holes_in_doubt_are_marked_and_the_notes_say_why():
    words = words_of(rows_of(NORTH))
    assert 'NO2 CHECK  in 2 7/8"' in words
    assert 'NO6 CHECK  in 2 11/16"' in words
    notes = plate_notes(JOB, "north", BOLTS_MM)
    assert [note.split(".")[0] for note in notes] == ["NO2 in N1, layer 1", "NO6 in N2, layer 1"]
    assert plate_notes(JOB, "east", {})  # bolts of no known size are not passed over


def test_the_key_says_from_which_end_and_which_side():
    assert "lower station, nearer the lowest-numbered card" in plate_key(False)
    assert "plate lies right" in plate_key(True)
    assert "does not say on which side" in plate_key(None)


def test_figures_are_large_enough_for_the_rain():
    """Capitals are 0.73 of the size in the sheet's typeface: 3.5 mm or more."""
    figures = [words for row in rows_of(NORTH) for words in row.words if words.text == "5' 2 5/16\""]
    assert [words.size for words in figures] == [FIGURE_MM]
    assert 0.73 * FIGURE_MM >= 3.5


def test_a_run_without_pieces_has_no_drawing():
    assert rows_of(NORTH, run="south") == ()


@settings(max_examples=50, deadline=None)
@given(st.lists(st.floats(0, 170), min_size=1, max_size=7), st.sampled_from(["start", "middle", "end"]))
def test_labels_never_cover_each_other_and_stay_on_the_row(xs, side):
    placed = place_labels([Label((x, 5.0), f"NO{n} in 2 3/4", "12' 11 15/16\"", side) for n, x in enumerate(xs)], 171.0)
    assert len(placed) == len(xs)
    for number, one in enumerate(placed):
        assert one.left >= -1e-6
        assert one.right <= 171.0 + 1e-6
        for other in placed[number + 1 :]:
            assert one.level != other.level or one.right <= other.left + 1e-5 or other.right <= one.left + 1e-5


@settings(max_examples=50, deadline=None)
@given(st.lists(st.integers(4, 60), min_size=1, max_size=6), st.integers(0, 20))
def test_no_leader_runs_through_words_where_bolts_stand_4_mm_apart_or_more(gaps, first):
    xs = [x for x in (first + np.cumsum([0, *gaps])).tolist() if x <= 160]
    placed = place_labels([Label((x, 5.0), f"NO{n}", "4' 3 3/16\"", "middle") for n, x in enumerate(xs)], 171.0)
    assert crossings(placed) == 0


def test_a_short_piece_has_room_for_the_words_about_both_its_ends():
    ends = [Label((x, 0.0), f"P1 {end} end, 41.5° off square, long point on the chalk-line edge", '10"', side)
            for x, end, side in ((2.5, "low", "start"), (23.7, "high", "end"))]  # fmt: skip
    (row,) = rows_of([long_piece(length_mm=254.0, low_cut_deg=-41.5, high_cut_deg=-41.5)])
    assert crossings(place_labels(ends, row.width)) == 0


@settings(max_examples=30, deadline=None)
@given(st.lists(st.floats(20, 1500), min_size=1, max_size=6), st.booleans())
def test_words_of_a_row_stay_inside_it(stations, left_handed):
    holes = [Hole(f"NO{n}", at_mm, 70.0, 14.0) for n, at_mm in enumerate(stations)]
    (row,) = rows_of([long_piece(holes, length_mm=1524.0)], left_handed=left_handed)
    assert all(0.7 * words.size <= words.at[1] <= row.height for words in row.words)
    assert all(0.0 <= y <= row.height for stroke in row.strokes for _, y in stroke.points)


def test_a_pdf_and_an_svg_can_be_set_from_the_rows():
    rows = rows_of(JOB, "north") + rows_of(JOB, "east", left_handed=True)
    buffer = io.BytesIO()
    SimpleDocTemplate(buffer, pagesize=LETTER, invariant=True).build([PlanDrawing(row) for row in rows])
    said = "\n".join(page.get_textpage().get_text_bounded() for page in pypdfium2.PdfDocument(buffer.getvalue()))
    assert "4' 3 3/16\"" in said
    for row in rows:
        svg = ElementTree.fromstring(plan_svg(row, "plates of a run"))
        texts = [element.text for element in svg.iter("{http://www.w3.org/2000/svg}text")]
        assert texts == [words.text for words in row.words]


def test_a_name_is_never_taken_for_markup():
    rows = rows_of([replace(EAST[0], name="<b>&")], "east")
    assert "<b>& low end" in "".join(ElementTree.fromstring(plan_svg(rows[0], "x")).itertext())
