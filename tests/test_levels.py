"""Level readings become heights and shims; a book of sights becomes heights; what cannot be read is named."""

from __future__ import annotations

import math
from dataclasses import replace
from itertools import pairwise
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from sillwright.errors import JobError
from sillwright.lengths import MM_PER_INCH
from sillwright.plates.level_loop import Shot, run_levels
from sillwright.plates.levels import (
    RULES,
    STEP_MM,
    LevelPoint,
    Levels,
    Shim,
    ShimPlace,
    ShimRules,
    levels_from_csv,
    levels_of,
    read_levels,
    shim_places,
    shims,
)

IN = MM_PER_INCH
FT = 12.0 * IN


def wall(*heights_in: float, apart_mm: float = 4 * FT, u95_mm: float = 0.0) -> Levels:
    points = [LevelPoint("", k * apart_mm, height * IN) for k, height in enumerate(heights_in)]
    return levels_of(points, u95_mm)


def at(levels: Levels, station_mm: float, rules: ShimRules = RULES) -> Shim:
    return shims(levels, "", [ShimPlace(station_mm)], rules)[0]


# --- reading the table ---


def test_inch_readings_give_the_shims_worked_by_hand() -> None:
    """Rod on the wall's top: 48-1/4, 48-1/8, 48-1/2, 48-3/8 in; the smallest is highest: 1/8, 0, 3/8, 1/4."""
    text = 'station,reading\n0 ft,48 1/4 in\n4 ft,48-1/8"\n8 ft,48.5 in\n12 ft,48⅜ in\n'
    levels = levels_from_csv(text, "larger is lower", "levels.csv")
    places = [ShimPlace(k * 4 * FT) for k in range(4)]
    found = shims(levels, "", places, replace(RULES, limit_mm=3 / 8 * IN))
    assert [one.sixteenths for one in found] == [2, 0, 6, 4]
    assert [one.verdict for one in found] == ["shim", "none", "shim", "shim"]
    assert (levels.high.station_mm, levels.low.station_mm) == pytest.approx((4 * FT, 8 * FT))
    assert levels.low.height_mm == pytest.approx(-3 / 8 * IN)


def test_engineers_feet_come_to_the_nearest_sixteenth() -> None:
    """4.02, 4.01, 4.04 ft: 0.12, 0 and 0.36 in, which are 1/8, 0 and 3/8."""
    text = "station (ft),reading (ft)\n0,4.02\n4,4.01\n8,4.04\n"
    levels = levels_from_csv(text, "larger is lower", "levels.csv")
    found = shims(levels, "", [ShimPlace(k * 4 * FT) for k in range(3)], replace(RULES, limit_mm=IN / 2))
    assert [one.gap_mm / IN for one in found] == pytest.approx([0.12, 0.0, 0.36])
    assert [one.sixteenths for one in found] == [2, 0, 6]


def test_either_sense_gives_the_same_wall() -> None:
    rod = levels_from_csv("reading (mm),station (m)\n1200,0\n1190,1.5\n", "larger is lower", "a.csv")
    heights = levels_from_csv("station,reading\n0 m,-10 mm\n1.5 m,0 mm\n", "larger is higher", "b.csv")
    assert rod.points == heights.points
    assert rod.high.station_mm == 1500.0


def test_a_bench_of_58_in_and_a_stake_of_56_and_a_half() -> None:
    """A home-repair magazine: the stake is 1-1/2 in too high."""
    levels = levels_from_csv("station,reading\n0 in,58 in\n10 ft,56 1/2 in\n", "larger is lower", "a.csv")
    assert levels.low.height_mm == pytest.approx(-1.5 * IN)
    assert levels.high.station_mm == pytest.approx(10 * FT)


def test_the_highest_point_is_that_of_all_runs() -> None:
    text = "run,station (ft),reading (in)\nnorth,0,48\nnorth,8,48 1/8\neast,0,47 7/8\neast,8,48\n"
    levels = levels_from_csv(text, "larger is lower", "levels.csv")
    assert levels.high.run == "east"
    assert [one.sixteenths for one in shims(levels, "north", [ShimPlace(0.0), ShimPlace(8 * FT)])] == [2, 4]
    with pytest.raises(JobError, match='run "south": there are no level readings'):
        shims(levels, "south", [ShimPlace(0.0)])


def test_headers_and_cells_may_both_have_units_and_rows_may_be_blank(tmp_path: Path) -> None:
    text = '﻿Station (ft),Reading (in),note\r\n4,48 1/4,\r\n\r\n5\' 6",122 cm,"beside the door, low"\r\n'
    path = tmp_path / "levels.csv"
    path.write_text(text, encoding="utf-8", newline="")
    levels = read_levels(path, "larger is lower", 0.5)
    assert [point.station_mm for point in levels.points] == pytest.approx([4 * FT, 66 * IN])
    assert [point.height_mm for point in levels.points] == pytest.approx([1220.0 - 48.25 * IN, 0.0])
    assert levels.reading_u95_mm == 0.5


@given(st.lists(st.tuples(st.integers(-100, 4000), st.integers(0, 2000)), min_size=1, max_size=30,
                unique_by=lambda pair: pair[0]))  # fmt: skip
def test_heights_keep_the_differences_that_were_read(rows: list[tuple[int, int]]) -> None:
    text = "station (mm),reading (mm)\n" + "".join(f"{s},{r}\n" for s, r in rows)
    levels = levels_from_csv(text, "larger is lower", "a.csv")
    least = min(r for _, r in rows)
    assert {(p.station_mm, round(p.height_mm)) for p in levels.points} == {(s, least - r) for s, r in rows}
    assert levels.high.height_mm == 0.0


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ("", "levels.csv is empty"),
        ("station,reading\n", "no readings under its header"),
        ("station,height\n1 ft,2 ft\n", "row 1: column 'height' is not known"),
        ("station,run\n1 ft,a\n", "row 1: there is no column reading"),
        ("station,station,reading\n", "column station is there twice"),
        ("station (foo),reading\n", "row 1, column station: 'foo' is no unit"),
        ("station (/4 in),reading\n", r"row 1: column 'station \(/4 in\)' is not known"),
        ("station,reading\n1 ft,48 in\n5 ft,49\n", "row 3, column reading: '49' has no unit"),
        ("station,reading\n1,48 in\n", "row 2, column station: '1' has no unit"),
        ("station (ft),reading (in)\n1,48\n\n2,\n", "row 4, column reading: it is empty"),
        ("station (ft),reading (in)\n1\n", "row 2, column reading: it is empty"),
        ("station (ft),reading (in)\n1,nan\n", "row 2, column reading: 'nan' is not a length"),
        ("station (ft),reading (in)\n1,-48\n", "row 2, column reading: '-48.*negative"),
        ("station (ft),reading (in)\n1,48\n2,48\n1,49\n", "row 4, column station: row 2 gives it too"),
        ("run,station (ft),reading (in)\n,1,48\n", "row 2, column run: it is empty"),
        ('station,reading\n"1 ft,48 in\n', "row 2: it cannot be read.*Close quotes"),
        ("station (ft),reading (in)\n" + "1,48\n" * 10_001, "more than 10000 rows"),
    ],
)
def test_what_is_wrong_in_a_table_is_named_by_row_and_column(text: str, says: str) -> None:
    with pytest.raises(JobError, match=says):
        levels_from_csv(text, "larger is lower", "levels.csv")


def test_all_faults_are_told_at_once() -> None:
    with pytest.raises(JobError) as told:
        levels_from_csv("station (ft),reading (in)\nx,48\n2,y\n", "larger is lower", "levels.csv")
    assert len(str(told.value).splitlines()) == 2


def test_a_sense_must_be_said() -> None:
    with pytest.raises(JobError, match="larger is lower"):
        levels_from_csv("station (ft),reading (in)\n1,48\n", "up", "levels.csv")  # type: ignore[arg-type]


def test_a_file_that_is_no_table_is_refused(tmp_path: Path) -> None:
    for content, says in ((b"\xff\xfe\x00", "cannot be read as text"), (b"x" * 1_000_001, "larger than 1000 kB")):
        path = tmp_path / "levels.csv"
        path.write_bytes(content)
        with pytest.raises(JobError, match=says):
            read_levels(path, "larger is lower")
    with pytest.raises(JobError, match="cannot be read"):
        read_levels(tmp_path / "missing.csv", "larger is lower")


def test_points_that_make_no_wall_are_refused() -> None:
    for points, says in (
        ([], "no level readings"),
        ([LevelPoint("", 0.0, math.nan)], "has no number"),
        ([LevelPoint("n", 0.0, 1.0), LevelPoint("n", 0.0, 2.0)], 'run "n": two level readings'),
    ):
        with pytest.raises(JobError, match=says):
            levels_of(points)


# --- shims ---


@given(
    st.lists(st.floats(-0.24, 0.0), min_size=3, max_size=8),
    st.floats(1 / 32, 1 / 4),
    st.floats(0.0, 1.0),
)
def test_shims_bring_the_top_level_within_the_tolerance_and_none_could_be_less(
    heights_in: list[float], tolerance_in: float, where: float
) -> None:
    levels = wall(*heights_in)
    rules = replace(RULES, tolerance_mm=tolerance_in * IN)
    found = at(levels, where * (len(heights_in) - 1) * 4 * FT, rules)
    assert found.verdict in ("none", "shim")
    top_mm = found.sixteenths * STEP_MM - found.gap_mm
    assert found.left_mm == pytest.approx(-top_mm)
    assert abs(top_mm) <= rules.tolerance_mm + 1e-5
    if found.sixteenths:
        assert top_mm - STEP_MM < -rules.tolerance_mm + 1e-5


@pytest.mark.parametrize(
    ("gap_in", "verdict", "sixteenths"),
    [
        (0.0, "none", 0),
        (1 / 32, "none", 0),
        (1 / 32 + 0.001, "shim", 1),
        (3 / 32, "shim", 1),
        (3 / 32 + 0.001, "shim", 2),
        (0.25, "shim", 4),
        (0.2501, "engineer", None),
        (0.9999, "engineer", None),
        (1.0, "grout", None),
        (1.0001, "grout", None),
    ],
)
def test_what_a_gap_asks_for(gap_in: float, verdict: str, sixteenths: int | None) -> None:
    """Low spots to 1/4 shimmed, 1 in and more grouted (a trade magazine); the engineer between."""
    found = at(wall(0.0, -gap_in), 4 * FT)
    assert (found.verdict, found.sixteenths) == (verdict, sixteenths)


def test_the_crew_sets_what_shims_carry() -> None:
    levels = wall(0.0, -0.5)
    assert at(levels, 4 * FT, replace(RULES, limit_mm=IN / 2)).sixteenths == 8
    assert at(levels, 4 * FT, replace(RULES, grout_mm=IN / 2)).verdict == "grout"
    assert at(levels, 4 * FT, replace(RULES, tolerance_mm=IN / 2)).verdict == "none"


@pytest.mark.parametrize(
    ("changes", "says"),
    [
        ({"tolerance_mm": STEP_MM / 2 - 0.01}, "1/32 in of level"),
        ({"tolerance_mm": math.nan}, "1/32 in of level"),
        ({"limit_mm": 30.0}, "less than where grout begins"),
        ({"limit_mm": 0.0}, "above zero"),
        ({"spacing_mm": 0.0}, "spacing"),
    ],
)
def test_rules_that_cannot_be_met_are_refused(changes: dict[str, float], says: str) -> None:
    with pytest.raises(JobError, match=says):
        replace(RULES, **changes)


@pytest.mark.parametrize(("gap_in", "doubtful"), [(0.187, False), (0.189, True), (0.311, True), (0.313, False)])
def test_a_gap_whose_interval_reaches_past_the_limit_is_doubtful(gap_in: float, doubtful: bool) -> None:
    """Limit 1/4 in; a gap between two readings of u95 1/16 / sqrt 2 in is known to 1/16 in."""
    found = at(wall(0.0, -gap_in, u95_mm=IN / 16 / math.sqrt(2.0)), 4 * FT)
    assert found.u95_mm == pytest.approx(IN / 16)
    assert found.doubtful is doubtful


@given(st.floats(0.0, 1.0), st.integers(0, 1))
def test_a_gap_s_interval_is_what_its_readings_scatter_by(where: float, between: int) -> None:
    """Highest first of three; the error of a gap by its readings' errors, from 4000 draws."""
    heights_in = np.array([0.0, -0.1, -0.2])
    draws = np.random.default_rng(3).normal(0.0, 1.0, (4000, 3))
    found = at(wall(*heights_in, u95_mm=1.96), (between + where) * 4 * FT)
    mixed = (1 - where) * draws[:, between] + where * draws[:, between + 1]
    assert found.u95_mm == pytest.approx(1.96 * float(np.std(draws[:, 0] - mixed)), rel=0.06, abs=0.01)


@pytest.mark.parametrize(("apart_mm", "doubtful"), [(96 * IN, False), (96 * IN + 0.1, True)])
def test_readings_too_far_apart_leave_what_lies_between_in_doubt(apart_mm: float, doubtful: bool) -> None:
    levels = wall(0.0, -0.1, apart_mm=apart_mm)
    assert at(levels, apart_mm / 2.0).doubtful is doubtful
    assert at(levels, apart_mm).doubtful is False  # where the wall was read


def test_beyond_the_readings_nothing_is_claimed() -> None:
    levels = wall(0.0, -0.1)
    for station_mm in (-1.0 * IN, 5.0 * FT):
        found = at(levels, station_mm)
        assert (found.verdict, found.gap_mm, found.sixteenths, found.doubtful) == ("not read", None, None, True)


def test_a_place_less_than_an_inch_past_a_reading_is_as_high_as_the_reading() -> None:
    levels = wall(0.0, -0.1)
    for station_mm, there_mm in ((-0.9 * IN, 0.0), (4 * FT + 0.9 * IN, 4 * FT)):
        assert at(levels, station_mm).gap_mm == at(levels, there_mm).gap_mm
        assert at(levels, station_mm).verdict != "not read"


# --- where shims go ---


def test_shims_stand_under_each_joist_at_both_ends_and_beside_each_bolt() -> None:
    found = shim_places(0.0, 4 * FT + 100.0, [("N1", 20 * IN), ("N2", 32 * IN), ("N3", 9 * FT)])
    told = [(round(p.station_mm / IN, 2), p.joist, p.end, p.bolts) for p in found]
    assert told == [
        (0.0, True, True, ()),
        (16.0, True, False, ()),
        (18.0, False, False, ("N1",)),
        (22.0, False, False, ("N1",)),
        (30.0, True, False, ("N2",)),  # the joist at 32 stands on the bolt
        (34.0, True, False, ("N2",)),
        (48.0, True, False, ()),
        (round((4 * FT + 100.0) / IN, 2), False, True, ()),
    ]


def test_joists_may_count_from_elsewhere() -> None:
    found = shim_places(100.0, 100.0 + 3 * FT, [], first_joist_mm=100.0 + 15.25 * IN)
    assert [round((p.station_mm - 100.0) / IN, 2) for p in found if p.joist] == [15.25, 31.25]


@given(
    st.floats(-3000.0, 3000.0),
    st.floats(600.0, 9000.0),
    st.lists(st.floats(-3000.0, 12000.0), max_size=6),
    st.floats(100.0, 900.0),
    st.floats(-900.0, 900.0),
)
def test_no_joist_and_no_bolt_goes_without(
    low_mm: float, length_mm: float, bolts_mm: list[float], spacing_mm: float, first_mm: float
) -> None:
    high_mm = low_mm + length_mm
    rules = replace(RULES, spacing_mm=spacing_mm)
    found = [
        p.station_mm
        for p in shim_places(
            low_mm, high_mm, [(str(b), b) for b in bolts_mm], first_joist_mm=low_mm + first_mm, rules=rules
        )
    ]
    assert found == sorted(found)
    assert all(b - a >= rules.same_place_mm - 1e-6 for a, b in pairwise(found))
    near = rules.same_place_mm + 1e-6
    for bolt in (b for b in bolts_mm if low_mm <= b <= high_mm):
        for side in (bolt - rules.bolt_side_mm, bolt + rules.bolt_side_mm):
            assert not low_mm <= side <= high_mm or min(abs(p - side) for p in found) < near
    joist = low_mm + first_mm
    while joist > low_mm:
        joist -= spacing_mm
    while joist <= high_mm:
        if joist >= low_mm:
            assert min(abs(p - joist) for p in found) < 2.0 * rules.bolt_side_mm + near
        joist += spacing_mm


def test_stations_that_leave_no_plate_are_refused() -> None:
    with pytest.raises(JobError, match="high end must lie past"):
        shim_places(10.0, 10.0, [])


# --- a line of levels ---


@pytest.mark.parametrize(
    ("benchmark", "shots", "heights"),
    [
        (100.0, [Shot("BM", 5.5), Shot("A", None, 2.3)], [103.2]),  # US Navy NAVEDTRA 14081, p. 15-29
        (820.0, [Shot("BM", 8.42), Shot("A", None, 1.20)], [827.22]),  # a surveying textbook's notes
        (100.0, [Shot("BM", 0.695), Shot("A", 1.675, 1.250), Shot("B", None, 0.470)], [99.445, 100.650]),
        (2156.77, [Shot("BM", 2.67), Shot("A", None, 6.72)], [2152.72]),
        (0.0, [Shot("BM", 6.0), Shot("A", None, 5.0), Shot("B", None, 3.0)], [1.0, 3.0]),  # a builders' arithmetic
        (106.35, [Shot("BM", 4.65), Shot("A", None, 2.40)], [108.60]),  # a contractor's licence question
    ],
)
def test_published_level_books(benchmark: float, shots: list[Shot], heights: list[float]) -> None:
    """In whatever unit the book has: only sums and differences are taken."""
    found = run_levels(benchmark, shots)
    assert [one.height_mm for one in found.heights[1:]] == pytest.approx(heights)
    assert [one.adjusted_mm for one in found.heights] == [one.height_mm for one in found.heights]
    assert found.misclosure_mm is None


def test_a_loop_s_closing_error_is_shared_out_among_its_set_ups() -> None:
    """Three set-ups back to the benchmark, 6 mm too high: 2, 4 and 6 mm are taken off."""
    book = [Shot("BM", 1500.0), Shot("A", 1400.0, 1300.0), Shot("s", None, 1000.0), Shot("B", 1250.0, 1600.0),
            Shot("BM", None, 1244.0)]  # fmt: skip
    found = run_levels(1000.0, book)
    assert found.misclosure_mm == pytest.approx(6.0)
    off = [one.height_mm - one.adjusted_mm for one in found.heights]
    assert off == pytest.approx([0.0, 2.0, 4.0, 4.0, 6.0])
    assert found.heights[-1].adjusted_mm == pytest.approx(1000.0)


def test_a_line_may_end_on_another_known_point() -> None:
    found = run_levels(0.0, [Shot("BM", 1000.0), Shot("BM2", None, 900.0)], ends_at_mm=98.0)
    assert found.misclosure_mm == pytest.approx(2.0)
    assert found.heights[-1].adjusted_mm == pytest.approx(98.0)


@pytest.mark.parametrize(
    ("book", "says"),
    [
        ([], "row 1"),
        ([Shot("BM", None, 1.0)], "row 1"),
        ([Shot("BM", 1.0, 1.0)], "row 1"),
        ([Shot("BM", 1.0), Shot("A", 2.0)], "row 2: A has no foresight"),
        ([Shot("BM", 1.0), Shot("A", 2.0, 1.0)], "row 2: A has a backsight and nothing is read"),
    ],
)
def test_a_book_that_lacks_a_sight_is_refused(book: list[Shot], says: str) -> None:
    with pytest.raises(JobError, match=says):
        run_levels(0.0, book)
