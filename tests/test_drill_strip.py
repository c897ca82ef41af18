"""A drilling strip is laid on wood and drilled through: what it shows at full size must be where the record says."""

from __future__ import annotations

from dataclasses import replace
from itertools import pairwise

import numpy as np
import pypdfium2
import pytest
from hypothesis import Phase, given, settings
from hypothesis import strategies as st

from card_pages import LANDSCAPE_MM, rasterise, texts
from plate_pieces import BOLTS_MM, EAST, JOB, NORTH, circles_mm, crosses_mm, far_points, hole, long_piece
from sillwright.errors import JobError
from sillwright.plates.piece import Hole
from sillwright.tell.cardsheet import PAGE_MARGIN_MM
from sillwright.tell.drill_sheets import FAR_BAND_MM, LINE_BAND_MM, cross_mm, place_words, strip_sheets
from sillwright.tell.drill_strip import CHECKS, MATCH_ARM_MM, MATCH_OFF_MM, drill_strip, sheet_letters

TOLERANCE_MM = 0.2
DRILL_MM = 14.2875


@st.composite
def some_holes(draw, most=4):
    """Holes of one size, apart from each other and inside a five-foot 2x6, at any hundredth of a millimetre."""
    gaps = draw(st.lists(st.integers(6000, 60000), min_size=2, max_size=most))
    stations = [at / 100 for at in np.cumsum(gaps) if at / 100 < 1460.0]
    return tuple(
        Hole(f"N{n}", at_mm, draw(st.integers(2000, 12000)) / 100, DRILL_MM, 0.3, 0.3, taken_mm=0.3)
        for n, at_mm in enumerate(stations, start=1)
    )


def joined_holes_mm(strip, piece, left_handed):
    """The holes' middles in the piece's frame as measured on the pages, each laid on the one before by its crosses."""
    found, shift, low_mm = [], np.zeros(2), None
    before = None
    for number in range(strip.sheets):
        page = rasterise(strip.pdf, number)
        wide_mm = page.grey.shape[1] / page.px_per_mm[0]
        crosses = crosses_mm(page, MATCH_ARM_MM, match_rows_mm(page, piece, left_handed))
        left = np.array(sorted((c for c in crosses if c[0] < wide_mm / 2), key=lambda c: c[1]))
        right = np.array(sorted((c for c in crosses if c[0] >= wide_mm / 2), key=lambda c: c[1]))
        if number:
            assert len(left) == len(before) == 2
            assert np.abs(np.diff(left, axis=0) - np.diff(before, axis=0)).max() < 0.05
            shift = shift + (before - left).mean(axis=0)
        else:
            low_mm = low_corner_mm(page, piece, left_handed)
        found += [at + shift for at in circles_mm(page, DRILL_MM)]
        before = right
    away = np.array(sorted(map(tuple, found))).reshape(-1, 2) - low_mm
    return away * (1.0, 1.0 if left_handed else -1.0)


def match_rows_mm(page, piece, left_handed):
    """About where the two rows of match marks lie, down the page."""
    high_mm = page.grey.shape[0] / page.px_per_mm[1]
    low_band_mm = FAR_BAND_MM if left_handed else LINE_BAND_MM
    low_mm = high_mm - PAGE_MARGIN_MM - low_band_mm + MATCH_OFF_MM
    return low_mm, low_mm - piece.width_mm - 2 * MATCH_OFF_MM


def low_corner_mm(page, piece, left_handed):
    """Where the low end meets the chalk-line edge on the first page, measured on its two lines."""
    high_mm = page.grey.shape[0] / page.px_per_mm[1]
    up_mm = PAGE_MARGIN_MM + (FAR_BAND_MM + piece.width_mm if left_handed else LINE_BAND_MM)
    x_mm = PAGE_MARGIN_MM - strip_sheets(piece, "letter").starts_mm[0]
    y_mm = high_mm - up_mm
    inside = 1.0 if left_handed else -1.0
    return np.array([page.line_mm((x_mm, y_mm + 15 * inside), 0), page.line_mm((x_mm + 20, y_mm), 1)])


def recorded(holes):
    return np.array([(hole.from_low_end_mm, hole.from_line_mm) for hole in holes])


@pytest.mark.parametrize("left_handed", [False, True])
@settings(max_examples=2, deadline=None, phases=[Phase.generate])
@given(some_holes(), st.sampled_from(["letter", "a4"]))
def test_holes_on_joined_sheets_are_where_the_record_says(left_handed, holes, paper):
    piece = long_piece(holes)
    strip = drill_strip(piece, bolts_mm={}, left_handed=left_handed, paper=paper)
    assert strip.sheets > 4
    found = joined_holes_mm(strip, piece, left_handed)
    assert len(found) == len(holes)
    assert np.abs(found - recorded(holes)).max() < TOLERANCE_MM


@pytest.mark.parametrize("left_handed", [False, True])
@settings(max_examples=2, deadline=None, phases=[Phase.generate])
@given(some_holes())
def test_holes_on_a_roll_are_where_the_record_says(left_handed, holes):
    piece = long_piece(holes)
    strip = drill_strip(piece, bolts_mm={}, left_handed=left_handed, paper="roll")
    assert strip.sheets == 1
    found = joined_holes_mm(strip, piece, left_handed)
    assert len(found) == len(holes)
    assert np.abs(found - recorded(holes)).max() < TOLERANCE_MM


@pytest.mark.parametrize("paper", ["letter", "a4", "roll"])
@pytest.mark.parametrize("left_handed", [False, True])
def test_check_ticks_stand_the_stated_distance_apart_on_every_sheet(paper, left_handed):
    piece = long_piece([hole("N1", 9.6, 2.7), hole("N2", 30, 2.7)])
    strip = drill_strip(piece, bolts_mm={}, left_handed=left_handed, paper=paper)
    inches, long_mm = CHECKS[0]
    for number, words in enumerate(texts(strip.pdf)):
        assert f"tick to tick {long_mm:g} mm" in words
        assert f"tick to tick {inches:g} in" in words
        page = rasterise(strip.pdf, number)
        up_mm = PAGE_MARGIN_MM + (
            FAR_BAND_MM - MATCH_OFF_MM if left_handed else LINE_BAND_MM + piece.width_mm + MATCH_OFF_MM
        )
        line_mm = page.grey.shape[0] / page.px_per_mm[1] - up_mm
        over, under = columns_mm(page, line_mm - 3.4), columns_mm(page, line_mm + 3.2)
        both = [x for x in over if np.abs(under - x).min() < 0.1]
        assert any(
            np.abs(over - x - long_mm).min() < 0.1 and np.abs(under - x - inches * 25.4).min() < 0.1 for x in both
        )


def columns_mm(page, down_mm):
    """Where ink crosses a level line a fifth of a millimetre wide, each run of ink as its middle."""
    rows, (first, _) = page.patch((1.0, down_mm - 0.1), (page.grey.shape[1] / page.px_per_mm[0] - 1.0, down_mm + 0.1))
    ink = np.flatnonzero(rows.mean(axis=0) < 128)
    runs = np.split(ink, np.flatnonzero(np.diff(ink) > 1) + 1)
    return np.array([page.mm((first + run.mean(), 0))[0] for run in runs])


def test_a_mitred_end_is_drawn_from_its_chalk_line_point_to_its_far_point():
    piece = NORTH[1]
    strip = drill_strip(piece, bolts_mm=BOLTS_MM, left_handed=False, paper="roll")
    page = rasterise(strip.pdf)
    corner = low_corner_mm(page, piece, False)
    low_far, high_far = far_points(piece)
    for share in (0.2, 0.8):
        y_mm = share * piece.width_mm
        x_mm = piece.line_edge_mm + share * (high_far[0] - piece.line_edge_mm)
        ink = columns_mm(page, corner[1] - y_mm) - corner[0]
        assert np.abs(ink - x_mm).min() < TOLERANCE_MM
        assert np.abs(ink - share * low_far[0]).min() < TOLERANCE_MM
    assert "cut 41.5° off square, long point on the far edge" in texts(strip.pdf)[0]


def test_every_sheet_says_what_it_is_and_how_to_print_it():
    piece = NORTH[0]
    strip = drill_strip(piece, bolts_mm=BOLTS_MM, left_handed=False)
    pages = texts(strip.pdf)
    for number, words in enumerate(pages):
        for said in ("Run north, piece N1, layer 1", "Print at 100 %, tape the ticks", "Low end: the end at the lower"):
            assert said in words
        assert f"sheet {number + 1} of {strip.sheets}" in words
        if number:
            assert f"lay it on sheet {sheet_letters(number - 1)}" in words
    assert strip.how in pages[0]
    assert sum("LOW END" in words for words in pages) == sum("HIGH END" in words for words in pages) == 1
    assert sum("CHALK-LINE EDGE" in words for words in pages) >= strip.sheets - 2


def test_each_hole_has_its_mark_and_distances_on_one_sheet():
    strip = drill_strip(NORTH[0], bolts_mm=BOLTS_MM, left_handed=False)
    pages = texts(strip.pdf)
    for mark, along, across in (
        ("NO1", '9"', '2 3/4"'),
        ("NO2", "5' 2 5/16\"", '2 7/8"'),
        ("NO3", "9' 3 3/8\"", '2 5/8"'),
    ):
        (words,) = [words for words in pages if f"{mark}drill" in words.replace(" ", "")]
        assert words.count(mark) == 2  # at the hole itself too
        assert f"{along} from the low end" in words
        assert f"{across} from the chalk-line edge" in words


def test_a_record_that_does_not_tell_the_side_says_so_on_every_sheet():
    strip = drill_strip(long_piece(), bolts_mm={}, left_handed=None)
    assert all("does not say on which side" in words for words in texts(strip.pdf))
    strip = drill_strip(long_piece(), bolts_mm={}, left_handed=True)
    assert all("the plate lies right of its chalk-line edge" in words for words in texts(strip.pdf))


# A 9/16 in hole is 1/16 in (1.5875 mm) larger than a 1/2 in bolt: half of it is 0.79375 mm.
@pytest.mark.parametrize(("taken_mm", "told"), [(0.7937, False), (0.79375, False), (0.7938, True)])
def test_what_takes_more_than_half_the_clearance_is_told_of(taken_mm, told):
    one = replace(hole("N1", 20, 2.7, u95_mm=0.1), taken_mm=taken_mm)
    strip = drill_strip(long_piece([one]), bolts_mm={"N1": 12.7}, left_handed=False)
    assert bool(strip.doubts) == told
    assert any("CHECK" in words and "tape this bolt" in words for words in texts(strip.pdf)) == told


@pytest.mark.parametrize("missing", ["taken_mm", "bolt"])
def test_what_cannot_be_judged_is_told_of(missing):
    one = hole("N1", 20, 2.7, u95_mm=0.1)
    bolts_mm = {"N1": 12.7}
    if missing == "bolt":
        bolts_mm = {}
    else:
        one = replace(one, **{missing: None})
    strip = drill_strip(long_piece([one]), bolts_mm=bolts_mm, left_handed=False)
    (doubt,) = strip.doubts
    assert "not known" in doubt
    assert any("not known" in words for words in texts(strip.pdf))


@pytest.mark.parametrize(("from_line_mm", "told"), [(DRILL_MM / 2 + 0.01, False), (DRILL_MM / 2 - 0.01, True)])
def test_a_hole_that_runs_off_the_wood_is_told_of(from_line_mm, told):
    one = Hole("N1", 500.0, from_line_mm, DRILL_MM, 0.1, 0.1, taken_mm=0.1)
    strip = drill_strip(long_piece([one]), bolts_mm={"N1": 12.7}, left_handed=False)
    assert any("runs off the piece" in doubt for doubt in strip.doubts) == told


@pytest.mark.parametrize("off", ["from_low_end_mm", "from_line_mm"])
def test_a_hole_whose_middle_is_not_on_the_wood_gives_no_strip(off):
    on_the_edge = replace(Hole("N1", 500.0, 70.0, DRILL_MM, 0.1, 0.1, taken_mm=0.1), **{off: 0.0})
    assert drill_strip(long_piece([on_the_edge]), bolts_mm={}, left_handed=False).doubts
    with pytest.raises(JobError, match="hole N1 does not lie on piece P1 of run north"):
        drill_strip(long_piece([replace(on_the_edge, **{off: -0.01})]), bolts_mm={}, left_handed=False)


def test_holes_shoulder_to_shoulder_are_drawn_on_every_sheet_that_shows_some_of_them():
    holes = [Hole(f"N{n}", 20.0 + 15.0 * n, 70.0, DRILL_MM, 0.1, 0.1, taken_mm=0.1) for n in range(36)]
    piece = long_piece(holes, length_mm=600.0)
    sheets = strip_sheets(piece, "letter")
    strip = drill_strip(piece, bolts_mm={}, left_handed=False)
    assert strip.sheets == sheets.count
    for number in range(strip.sheets):
        low_mm, high_mm = sheets.own_mm(number)
        whole = sum(low_mm + 8 < one.from_low_end_mm < high_mm - 8 for one in holes)
        assert len(circles_mm(rasterise(strip.pdf, number), DRILL_MM)) >= whole


def test_paper_lies_the_way_that_takes_fewer_sheets():
    narrow = strip_sheets(long_piece(), "letter")
    assert narrow.page_mm == pytest.approx(LANDSCAPE_MM["letter"])
    assert "landscape (portrait would take" in narrow.how
    wide = strip_sheets(long_piece(width_mm=7.25 * 25.4), "letter")  # a 2x8 is too wide for the short side of a sheet
    assert wide.page_mm == pytest.approx(LANDSCAPE_MM["letter"][::-1])
    assert "portrait (too wide for landscape)" in wide.how


def test_a_plate_too_wide_for_the_paper_is_refused_with_what_to_do():
    wide = long_piece(width_mm=11.25 * 25.4)
    with pytest.raises(JobError, match=r"does not fit on Letter\. Print it on a roll"):
        strip_sheets(wide, "letter")
    needed_mm = strip_sheets(wide, "roll").page_mm[1]
    assert strip_sheets(wide, "roll", needed_mm).page_mm[1] == needed_mm
    with pytest.raises(JobError, match="Use a wider roll"):
        strip_sheets(wide, "roll", needed_mm - 0.1)


def test_no_page_of_a_roll_is_longer_than_a_pdf_may_be():
    """ISO 32000-1 Annex C (from memory): at most 14 400 points."""
    strip = drill_strip(long_piece(length_mm=20 * 304.8), bolts_mm={}, left_handed=False, paper="roll")
    sizes = [page.get_size() for page in pypdfium2.PdfDocument(strip.pdf)]
    assert len(sizes) == strip.sheets == 2
    assert max(side for size in sizes for side in size) <= 14400.0


@settings(max_examples=60, deadline=None)
@given(some_holes(most=20), st.sampled_from(["letter", "a4", "roll"]))
def test_no_seam_runs_through_a_hole_and_sheets_leave_no_gap(holes, paper):
    piece = long_piece(holes, length_mm=3000.0)
    sheets = strip_sheets(piece, paper)
    owns = [sheets.own_mm(sheet) for sheet in range(sheets.count)]
    assert all(before[1] == after[0] for before, after in pairwise(owns))
    assert owns[0][0] < 0.0 < piece.line_edge_mm < owns[-1][1]
    for one in holes:
        low_mm, high_mm = one.from_low_end_mm - one.drill_mm / 2, one.from_low_end_mm + one.drill_mm / 2
        assert sum(own[0] <= low_mm and high_mm <= own[1] for own in owns) == 1


@settings(max_examples=60, deadline=None)
@given(some_holes(most=20), st.sampled_from([1.0, -1.0]))
def test_words_cover_no_hole_and_no_other_words(holes, up):
    piece = long_piece(holes)
    own_mm = (-20.0, 1600.0)
    places = place_words(piece, up, own_mm, [(85.0, 30.0)] * len(holes))
    boxes = [(left, top - 30.0 * share, left + 85.0 * share, top) for left, top, share in places]
    rings = [
        (h.from_low_end_mm - r, up * h.from_line_mm - r, h.from_low_end_mm + r, up * h.from_line_mm + r)
        for h in holes
        for r in (cross_mm(h.drill_mm),)
    ]
    everything = boxes + rings
    for place, box in enumerate(boxes):
        for other in everything[:place] + everything[place + 1 :]:
            apart = box[2] <= other[0] or other[2] <= box[0] or box[3] <= other[1] or other[3] <= box[1]
            assert apart, (box, other)


def test_letters_go_on_after_z():
    assert [sheet_letters(n) for n in (0, 25, 26, 27, 701, 702)] == ["A", "Z", "AA", "AB", "ZZ", "AAA"]


@pytest.mark.parametrize("piece", JOB, ids=lambda piece: piece.name)
def test_the_same_piece_gives_the_same_bytes_and_asks_not_to_be_scaled(piece):
    first, second = (drill_strip(piece, bolts_mm=BOLTS_MM, left_handed=False).pdf for _ in range(2))
    assert first == second
    assert b"/PrintScaling /None" in first


def test_names_are_printed_as_they_are_or_with_a_question_mark():
    strip = drill_strip(replace(EAST[0], name="<b>Süd</b> 壁"), bolts_mm=BOLTS_MM, left_handed=False)
    assert "piece <b>Süd</b> ?" in texts(strip.pdf)[0]
