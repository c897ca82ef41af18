"""The tables are read by spreadsheets and programs: every number in both units, none taken for a formula."""

from __future__ import annotations

import csv
import io
from dataclasses import replace

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from plate_pieces import BOLTS_MM, EAST, INCH_MM, JOB, NORTH, UPPER, hole, long_piece
from sillwright.lengths import parse_length_mm
from sillwright.plates.piece import Hole
from sillwright.tell.plate_csv import HOLE_COLUMNS, PIECE_COLUMNS, holes_csv, pieces_csv


def read(table):
    text = table.decode("utf-8-sig")
    return list(csv.DictReader(io.StringIO(text, newline="")))


def test_headers_carry_units():
    for table, columns in ((pieces_csv(JOB), PIECE_COLUMNS), (holes_csv(JOB, BOLTS_MM), HOLE_COLUMNS)):
        assert table.startswith("\ufeff".encode())
        assert table.decode("utf-8-sig").split("\r\n")[0] == ",".join(columns)
    lengths = [column for column in PIECE_COLUMNS + HOLE_COLUMNS if column.endswith(("_mm", "_ft_in"))]
    numbers = {column.rsplit("_mm")[0].rsplit("_ft_in")[0] for column in lengths} - {"u95_along", "u95_across"}
    for name in numbers:
        assert {f"{name}_mm", f"{name}_ft_in"} <= set(lengths)


def test_each_piece_is_a_line_with_its_lengths_and_cuts():
    lines = read(pieces_csv(JOB))
    assert [line["piece"] for line in lines] == ["N1", "N2", "N3", "N4", "E1"]
    mitred = lines[1]
    assert mitred["chalk_line_edge_mm"] == "2438.40"
    assert mitred["chalk_line_edge_ft_in"] == "8' 0\""
    # 139.7 mm x tan 41.5 degrees = 123.6 mm longer along the far edge
    assert float(mitred["far_edge_mm"]) == pytest.approx(2438.4 + 139.7 * 0.88473, abs=0.01)
    assert mitred["longest_mm"] == mitred["far_edge_mm"]
    assert mitred["low_station_ft_in"] == "10' 0\""
    assert (mitred["low_cut_off_square_deg"], mitred["low_cut"]) == ("0.00", "square")
    assert (mitred["high_cut_off_square_deg"], mitred["holes"]) == ("41.50", "3")
    assert mitred["high_cut"] == "41.5° off square, long point on the far edge"


def test_runs_stay_together_and_pieces_follow_the_wall():
    mixed = (EAST[0], UPPER[1], NORTH[1], NORTH[0], UPPER[0])
    assert [line["piece"] for line in read(pieces_csv(mixed))] == ["E1", "N1", "N2", "N3", "N4"]


def test_each_hole_is_a_line_from_the_low_end_of_its_piece():
    lines = read(holes_csv(NORTH, BOLTS_MM))
    assert [line["mark"] for line in lines] == ["NO1", "NO2", "NO3", "NO4", "NO5", "NO6"]
    fourth = lines[3]
    assert (fourth["piece"], fourth["from_low_end_ft_in"], fourth["from_low_end_mm"]) == ("N2", '8 5/8"', "218.44")
    assert (fourth["from_chalk_line_edge_ft_in"], fourth["from_chalk_line_edge_mm"]) == ('2 3/4"', "69.85")
    assert (fourth["drill_ft_in"], fourth["drill_mm"], fourth["u95_along_mm"]) == ('9/16"', "14.29", "0.50")
    assert fourth["check"] == ""


def test_what_is_in_doubt_says_why_and_what_is_not_known_is_empty_rather_than_nought():
    lines = {line["mark"]: line for line in read(holes_csv(NORTH, BOLTS_MM))}
    assert "tape this bolt before drilling" in lines["NO2"]["check"]
    assert lines["NO6"]["u95_along_mm"] == ""
    assert "not known" in lines["NO6"]["check"]
    assert all(line["check"] for line in read(holes_csv(NORTH, {})))


@pytest.mark.parametrize(("drill_mm", "inches"), [(17 / 32 * INCH_MM, '17/32"'), (INCH_MM / 2, '1/2"'), (13.6, "")])
def test_a_drill_is_written_in_inches_only_where_there_is_one_of_that_size(drill_mm, inches):
    """A bolt of 12 mm and 1/16 in is 13.6 mm: a 9/16 in bit (14.3) would be another hole."""
    (line,) = read(holes_csv([long_piece([Hole("N1", 100.0, 70.0, drill_mm)])], {}))
    assert line["drill_ft_in"] == inches


@settings(max_examples=100, deadline=None)
@given(st.floats(-500, 12000), st.floats(-20, 300), st.floats(3, 40))
def test_both_units_say_the_same(along_mm, across_mm, drill_mm):
    (line,) = read(holes_csv([long_piece([Hole("N1", along_mm, across_mm, drill_mm)])], {}))
    assert float(line["drill_mm"]) == pytest.approx(drill_mm, abs=0.00501)
    for name, mm in (("from_low_end", along_mm), ("from_chalk_line_edge", across_mm)):
        assert float(line[f"{name}_mm"]) == pytest.approx(mm, abs=0.00501)
        written_mm = parse_length_mm(line[f"{name}_ft_in"], allow_negative=True)
        assert written_mm == pytest.approx(mm, abs=INCH_MM / 32 + 1e-6)
    assert "-0.00" not in line.values()


@pytest.mark.parametrize("name", ["=1+1", "+1", "-1", "@a", "\ta"])
def test_no_name_is_worked_out_as_a_formula(name):
    odd = long_piece([replace(hole("N1", 20, 2.7), mark=name)], name=name, run=name)
    for line in read(pieces_csv([odd])) + read(holes_csv([odd], {})):
        assert line["run"] == line["piece"] == f"'{name}"


@given(
    st.text(st.characters(exclude_categories=["Cs"]), max_size=12).filter(lambda s: not s.startswith(tuple("=+-@\t")))
)
@settings(max_examples=50, deadline=None)
def test_any_name_comes_back_as_it_was(name):
    (line,) = read(pieces_csv([long_piece(name=name)]))
    assert line["piece"] == name


def test_no_pieces_give_the_headers_alone():
    assert read(pieces_csv([])) == read(holes_csv([], {})) == []
