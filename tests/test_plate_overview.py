"""A run's plates on one sheet: to the scale that is stated, each hole in its place, no words over others."""

from __future__ import annotations

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from reportlab.pdfbase.pdfmetrics import stringWidth

from plate_pieces import INCH_MM, JOB, NORTH, WIDE_MM, hole, long_piece
from plate_sheet_plans import PLANS
from sillwright.tell.lettering import BOLD, REGULAR
from sillwright.tell.plan import FULL_ROW_MM
from sillwright.tell.plate_overview import MOST_HIGH_MM, SCALES, NoHole, Overview, plate_overview
from sillwright.tell.plate_run_rows import run_overview, run_rows


def drawn(pieces, doubtful=(), no_holes=(), left_handed=False) -> Overview:
    made = plate_overview(pieces, doubtful=frozenset(doubtful), no_holes=no_holes, left_handed=left_handed)
    assert made is not None
    return made


def lines_of(made, pen):
    return [stroke.points for row in made.rows for stroke in row.strokes if stroke.pen == pen]


def words_of(made):
    return [words.text for row in made.rows for words in row.words]


def test_the_scale_named_is_the_scale_drawn() -> None:
    made = drawn([long_piece([hole("N1", 12, 2.7)], length_mm=5 * 12 * INCH_MM)])
    (chalk,) = lines_of(made, "chalk")
    assert made.reduction * (chalk[1][0] - chalk[0][0]) == pytest.approx(60 * INCH_MM)
    (ring,) = [ring for row in made.rows for ring in row.rings]
    assert made.reduction * (ring.centre[0] - chalk[0][0]) == pytest.approx(12 * INCH_MM)
    assert made.reduction * (chalk[0][1] - ring.centre[1]) == pytest.approx(2.7 * INCH_MM)
    assert f"{SCALES[made.reduction]} in to the foot (1:{made.reduction})" in made.key


@pytest.mark.parametrize("reduction", SCALES)
def test_scales_are_those_of_an_architects_rule(reduction: int) -> None:
    top, _, bottom = SCALES[reduction].partition("/")
    assert reduction * int(top) / int(bottom or 1) == pytest.approx(12.0)


@pytest.mark.parametrize(("left_handed", "way"), [(False, -1), (True, 1)])
def test_the_plate_lies_on_its_side_of_the_chalk_line(left_handed: bool, way: int) -> None:
    made = drawn([long_piece([hole("N1", 12, 2.0)])], left_handed=left_handed)
    (chalk,) = lines_of(made, "chalk")
    (ring,) = [ring for row in made.rows for ring in row.rings]
    assert made.reduction * (ring.centre[1] - chalk[0][1]) == pytest.approx(way * 2.0 * INCH_MM)


def test_a_run_goes_in_one_row_where_a_quarter_inch_to_the_foot_lets_it() -> None:
    made = drawn(NORTH)
    assert len(made.rows) == 1
    assert made.reduction == 32  # 18 ft: 6 3/4 in of paper


@settings(max_examples=25, deadline=None)
@given(st.floats(400, 60_000), st.integers(1, 3))
def test_every_run_fits_the_page_and_every_hole_is_drawn_once_a_layer(length_mm: float, layers: int) -> None:
    holes = [hole(f"N{k}", (k + 0.5) * length_mm / INCH_MM / 12, 2.75) for k in range(12)]
    pieces = [long_piece(holes, name=f"P{layer}", layer=layer, length_mm=length_mm) for layer in range(1, layers + 1)]
    made = drawn(pieces)
    assert all(row.width <= FULL_ROW_MM + 1e-6 for row in made.rows)
    assert sum(row.height for row in made.rows) <= MOST_HIGH_MM or made.reduction == max(SCALES)
    assert sum(len(row.rings) for row in made.rows) == 12 * layers
    assert made.reduction * sum(b[0] - a[0] for a, b in lines_of(made, "chalk")) == pytest.approx(layers * length_mm)


def test_doubt_is_a_question_mark_and_no_hole_a_cross_with_words() -> None:
    made = drawn([long_piece([hole("N1", 12, 2.7)])], {"N1"}, [NoHole("N2", 900.0, 70.0)])
    assert "N1 ?" in words_of(made)
    assert "N2 no hole" in words_of(made)
    crosses = [points for points in lines_of(made, "bolt") if len(points) == 2]
    assert len(crosses) == 2
    middle = {((a[0] + b[0]) / 2, (a[1] + b[1]) / 2) for a, b in crosses}
    assert len({(round(x, 6), round(y, 6)) for x, y in middle}) == 1


def test_joints_cuts_and_names_of_pieces_are_there() -> None:
    made = drawn([piece for piece in JOB if piece.run == "north"])
    words = words_of(made)
    for piece in JOB:
        if piece.run == "north":
            assert any(text.startswith(f"{piece.name}: ") for text in words)
    assert "Layer 1, on the concrete" in words
    slanted = [points for points in lines_of(made, "edge") if 0.1 < abs(points[0][0] - points[1][0]) < WIDE_MM / 12]
    assert slanted


@pytest.mark.parametrize("name", [name for name in PLANS if name != "empty"])
def test_no_words_of_a_drawing_stand_over_others_or_off_it(name: str) -> None:
    plan = PLANS[name]
    for run in plan.runs:
        made = run_overview(plan, run, run_rows(plan, run).holes)
        for row in made.rows if made else ():
            boxes = []
            for words in row.words:
                wide = stringWidth(words.text, BOLD if words.bold else REGULAR, words.size)
                left = words.at[0] - {"start": 0.0, "middle": 0.5, "end": 1.0}[words.anchor] * wide
                boxes.append((left, words.at[1] - 0.75 * words.size, left + wide, words.at[1] + 0.2 * words.size))
            for place, one in enumerate(boxes):
                assert one[0] >= -0.5
                assert one[2] <= FULL_ROW_MM + 0.5
                for other in boxes[place + 1 :]:
                    wide = min(one[2], other[2]) - max(one[0], other[0])
                    deep = min(one[3], other[3]) - max(one[1], other[1])
                    assert wide <= 0.1 or deep <= 0.1, (row.words[place].text, name)


def test_nothing_is_drawn_of_a_run_without_pieces() -> None:
    assert plate_overview([], doubtful=frozenset(), left_handed=None) is None
