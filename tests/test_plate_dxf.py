"""A shop opens the drawing in whatever it has: it must be sound, in millimetres, and have each hole in its place."""

from __future__ import annotations

import io
import subprocess
import sys
from dataclasses import replace

import ezdxf
import pytest
from ezdxf import units
from hypothesis import given, settings
from hypothesis import strategies as st

from plate_pieces import BOLTS_MM, EAST, JOB, NORTH, UPPER, far_points, hole, long_piece
from sillwright.plates.piece import Hole
from sillwright.tell.plate_dxf import LAYERS, plates_dxf, row_heights_mm

SIDES = {"north": False, "east": True}


def reopened(pieces=JOB, bolts_mm=BOLTS_MM, left_handed=SIDES):
    return ezdxf.read(io.StringIO(plates_dxf(pieces, bolts_mm=bolts_mm, left_handed=left_handed).decode("utf-8")))


def words_on(document, layer="TEXT"):
    return [text.dxf.text for text in document.modelspace().query(f'TEXT[layer=="{layer}"]')]


def expected_holes(pieces, left_handed):
    rows = row_heights_mm(pieces)
    for piece in pieces:
        for one in piece.holes:
            up = -1.0 if left_handed.get(piece.run) else 1.0
            y_mm = rows[piece.run, piece.layer] + up * one.from_line_mm
            yield piece.low_mm + one.from_low_end_mm, y_mm, one.drill_mm / 2


def drawn_holes(document):
    return [(*circle.dxf.center.vec2, circle.dxf.radius) for circle in document.modelspace().query("CIRCLE")]


def test_the_file_is_r2010_in_millimetres_and_sound():
    document = reopened()
    assert document.dxfversion == "AC1024"  # R2010
    assert document.units == units.MM
    audit = document.audit()
    assert not audit.has_errors
    assert not audit.has_fixes


def test_every_layer_is_there_and_used_and_nothing_lies_elsewhere():
    document = reopened()
    assert {entity.dxf.layer for entity in document.modelspace()} == set(LAYERS)
    assert all(document.layers.has_entry(layer) for layer in LAYERS)


def test_holes_are_circles_of_the_drill_where_the_record_says():
    expected, drawn = list(expected_holes(JOB, SIDES)), drawn_holes(reopened())
    assert len(drawn) == len(expected)
    for want, got in zip(sorted(expected), sorted(drawn), strict=True):
        assert got == pytest.approx(want, abs=1e-6)


@settings(max_examples=8, deadline=None)
@given(
    st.lists(st.tuples(st.floats(0, 12000), st.floats(0, 140), st.floats(3, 40)), min_size=1, max_size=5),
    st.floats(-5000, 5000),
    st.booleans(),
)
def test_holes_anywhere_are_kept_to_a_millionth_of_a_millimetre(places, low_mm, side):
    holes = [Hole(f"N{n}", x, y, drill) for n, (x, y, drill) in enumerate(places)]
    piece = long_piece(holes, low_mm=low_mm, high_mm=low_mm + 12192.0)
    expected = sorted(expected_holes([piece], {"north": side}))
    drawn = sorted(drawn_holes(reopened([piece], {}, {"north": side})))
    for want, got in zip(expected, drawn, strict=True):
        assert got == pytest.approx(want, abs=1e-6)


def test_outlines_have_their_mitres():
    outlines = reopened(NORTH).modelspace().query("LWPOLYLINE")
    assert all(outline.closed for outline in outlines)
    drawn = [tuple(point) for outline in outlines for point in outline.get_points("xy")]
    for piece in NORTH:
        corners = [(0.0, 0.0), (piece.line_edge_mm, 0.0), *far_points(piece)]
        for x, y in corners:
            assert min(abs(piece.low_mm + x - a) + abs(y - b) for a, b in drawn) < 1e-6


def test_each_hole_has_a_centre_mark_through_its_middle():
    document = reopened(NORTH)
    marks = document.modelspace().query('LINE[layer=="HOLE_CENTERS"]')
    middles = sorted(tuple(((line.dxf.start + line.dxf.end) / 2).vec2) for line in marks)
    holes = sorted((x, y) for x, y, _ in drawn_holes(document) for _ in range(2))
    for want, got in zip(holes, middles, strict=True):
        assert got == pytest.approx(want, abs=1e-6)


def test_runs_lie_below_one_another_and_layers_above_without_touching():
    rows = row_heights_mm(JOB)
    assert rows["north", 1] == 0.0
    assert rows["north", 2] > NORTH[0].width_mm
    spans = []
    for piece in JOB:
        base = rows[piece.run, piece.layer]
        up = -1.0 if SIDES[piece.run] else 1.0
        spans.append(((piece.run, piece.layer), sorted((base, base + up * piece.width_mm))))
    for row, (low, high) in spans:
        for other, (other_low, other_high) in spans:
            if row != other:
                assert high < other_low or other_high < low
    assert max(high for (run, _), (_, high) in spans if run == "east") < 0.0


def test_words_name_runs_pieces_marks_and_cuts():
    words = words_on(reopened())
    for said in ("Run north, layer 2", "NO3", "9' 3 3/8\" from the low end", '2 3/4" from the chalk-line edge'):
        assert said in words
    assert any("N2: 8' 0\" (2438.4 mm)" in line for line in words)
    assert any("high end cut 41.5° off square, long point on the far edge" in line for line in words)
    assert any("plate lies right of its chalk-line edge" in line for line in words)


def test_a_hole_in_doubt_says_so_on_its_own_layer():
    sound = long_piece([hole("N1", 20, 2.7, u95_mm=0.7)])
    assert words_on(reopened([sound], {"N1": 12.7}), "CHECK") == []
    doubtful = long_piece([hole("N1", 20, 2.7, u95_mm=0.8)])
    (line,) = words_on(reopened([doubtful], {"N1": 12.7}), "CHECK")
    assert "tape this bolt before drilling" in line


def test_a_run_whose_side_is_not_known_says_so():
    assert any("does not say on which side" in line for line in words_on(reopened(left_handed={})))


def test_codes_of_the_format_in_a_name_stay_words():
    odd = replace(EAST[0], name="A%%d\nB 壁")
    document = reopened([odd])
    assert any(line.startswith("A% %d B 壁:") for line in words_on(document))
    assert not document.audit().has_errors


def test_the_same_pieces_give_the_same_bytes_in_another_process():
    code = (
        "import sys; sys.path[:0] = ['tests', 'src']\n"
        "from plate_pieces import *; from sillwright.tell.plate_dxf import plates_dxf\n"
        "import hashlib; print(hashlib.sha256(plates_dxf(JOB, bolts_mm=BOLTS_MM, left_handed={})).hexdigest())"
    )
    seen = {
        subprocess.run(
            [sys.executable, "-c", code], capture_output=True, text=True, check=True, env={"PYTHONHASHSEED": seed}
        ).stdout
        for seed in ("1", "2")
    }
    assert len(seen) == 1


def test_the_library_is_left_as_it_was():
    before = ezdxf.options.write_fixed_meta_data_for_testing
    plates_dxf(UPPER, bolts_mm={}, left_handed={})
    assert ezdxf.options.write_fixed_meta_data_for_testing == before


def test_a_job_without_pieces_is_an_empty_drawing():
    document = reopened([])
    assert len(document.modelspace()) == 0
    assert not document.audit().has_errors
