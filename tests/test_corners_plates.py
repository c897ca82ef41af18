"""Two plates that meet are cut so that they touch along the whole joint, with no gap and no overlap."""

from __future__ import annotations

import math
from dataclasses import replace
from typing import Any, Literal

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from sillwright.errors import JobError
from sillwright.lengths import MM_PER_INCH
from sillwright.plates.corners import (
    PlateEnd,
    Turn,
    corner_ends,
    corner_turn,
    edge_lengths,
    square_end,
)
from sillwright.plates.piece import PlatePiece
from sillwright.survey import CardRecord, CornerRecord, PhotoRecord, RunRecord, Survey, ViewRecord

REACH_MM = 20_000.0
Marks = Literal["outside", "inside"]


def a_run(name: str, marks: Marks = "outside", width_mm: float = 139.7, cards_at_mm: float = 2000.0) -> RunRecord:
    cards = (CardRecord(1, cards_at_mm, 30.0, 0.0),)
    return RunRecord(name, "ok", (), (), cards, line_marks=marks, plate_width_mm=width_mm)


def a_corner(angle_deg: float = 90.0, **changes: Any) -> CornerRecord:
    whole: dict[str, Any] = {"u95_deg": 0.05, "station_mm": {"north": 0.0, "east": 0.0}, **changes}
    return CornerRecord(("north", "east"), angle_deg, **whole)


def two(*runs: RunRecord) -> dict[str, RunRecord]:
    return {run.name: run for run in runs}


PLAIN = two(a_run("north"), a_run("east"))


# --- the plane: the crossing at the origin, the first run leaving along X, the second at the angle to its left ---


def in_plane(angle_deg: float, run: int, along_mm: float, into_mm: float) -> tuple[float, float]:
    """A place given along a run's line and into the angle, as X and Y."""
    t = math.radians(angle_deg)
    along, into = [((1.0, 0.0), (0.0, 1.0)), ((math.cos(t), math.sin(t)), (math.sin(t), -math.cos(t)))][run]
    return along_mm * along[0] + into_mm * into[0], along_mm * along[1] + into_mm * into[1]


def far_into_mm(run: RunRecord, turn: Turn) -> float:
    """The building fills the angle at an outside corner and all but the angle at an inside one; the plate lies from an
    outside line into the building, and from an inside line out of it."""
    toward_building = 1.0 if run.line_marks == "outside" else -1.0
    return run.plate_width_mm * toward_building * (1.0 if turn == "outside" else -1.0)


def polygon(angle_deg: float, k: int, run: RunRecord, end: PlateEnd, turn: Turn, crossing_mm: float) -> np.ndarray:
    """A plate from its end at the corner to REACH_MM along the run."""
    sign = 1.0 if end.end == "low" else -1.0
    far_mm = far_into_mm(run, turn)
    corners = [
        (sign * (end.station_mm - crossing_mm), 0.0),
        (REACH_MM, 0.0),
        (REACH_MM, far_mm),
        (sign * (end.far_station_mm - crossing_mm), far_mm),
    ]
    return turning_left(np.array([in_plane(angle_deg, k, *place) for place in corners]))


def area(points: np.ndarray) -> float:
    """Shoelace, relative to the first corner."""
    if len(points) < 3:
        return 0.0
    x, y = (points - points[0]).T
    return 0.5 * float(np.sum(x * np.roll(y, -1) - y * np.roll(x, -1)))


def turning_left(points: np.ndarray) -> np.ndarray:
    return points if area(points) > 0.0 else points[::-1]


def common(subject: np.ndarray, window: np.ndarray) -> np.ndarray:
    """What two convex polygons share, cut down half-plane by half-plane (Sutherland and Hodgman 1974)."""
    points = list(subject)
    for a, b in zip(window, np.roll(window, -1, axis=0), strict=True):
        side = [float((b - a)[0] * (p - a)[1] - (b - a)[1] * (p - a)[0]) for p in points]
        kept = []
        for i, p in enumerate(points):
            before = i - 1
            if (side[i] >= 0.0) != (side[before] >= 0.0):
                share = side[before] / (side[before] - side[i])
                kept.append(points[before] + share * (p - points[before]))
            if side[i] >= 0.0:
                kept.append(p)
        points = kept
    return np.array(points)


WIDTHS = st.sampled_from([88.9, 139.7, 184.15, 285.75])
MARKS = st.sampled_from(["outside", "inside"])


@given(
    angle_deg=st.floats(25.0, 155.0),
    widths_mm=st.tuples(WIDTHS, WIDTHS),
    marks=st.tuples(MARKS, MARKS),
    turn=st.sampled_from(["outside", "inside"]),
    joint=st.sampled_from(["mitre", "butt"]),
    through=st.sampled_from(["north", "east"]),
    layer=st.integers(1, 2),
    sides=st.tuples(st.sampled_from([-1, 1]), st.sampled_from([-1, 1])),
    at_mm=st.tuples(st.floats(-9000.0, 9000.0), st.floats(-9000.0, 9000.0)),
)
def test_plates_fill_the_corner_and_nowhere_lie_on_each_other(
    angle_deg: float,
    widths_mm: tuple[float, float],
    marks: tuple[Marks, Marks],
    turn: Turn,
    joint: Literal["mitre", "butt"],
    through: str,
    layer: int,
    sides: tuple[int, int],
    at_mm: tuple[float, float],
) -> None:
    """The place where both strips of plate cross is filled by the two, without overlap, and nothing goes past it."""
    pair = [
        a_run(name, marks[k], widths_mm[k], at_mm[k] + sides[k] * 3000.0) for k, name in enumerate(("north", "east"))
    ]
    corner = a_corner(angle_deg, station_mm=dict(zip(("north", "east"), at_mm, strict=True)))
    ends = corner_ends(corner, two(*pair), turn, joint=joint, through=through, layer=layer)
    assert [end.end for end in ends] == ["low" if side > 0 else "high" for side in sides]
    plates = [polygon(angle_deg, k, pair[k], ends[k], turn, at_mm[k]) for k in (0, 1)]
    t = math.radians(angle_deg)
    far_mm = [far_into_mm(run, turn) for run in pair]

    def crossing(a_mm: float, b_mm: float) -> np.ndarray:
        """Where the line a_mm into the angle from the first meets that b_mm from the second, by solving for it."""
        return np.linalg.solve(np.array([[0.0, 1.0], [math.sin(t), -math.cos(t)]]), [a_mm, b_mm])

    cell = turning_left(
        np.array([crossing(0.0, 0.0), crossing(far_mm[0], 0.0), crossing(*far_mm), crossing(0.0, far_mm[1])])
    )
    whole_mm2 = area(cell)
    tiny_mm2 = 1e-6 * whole_mm2
    assert whole_mm2 == pytest.approx(widths_mm[0] * widths_mm[1] / math.sin(t))
    assert area(common(plates[0], plates[1])) == pytest.approx(0.0, abs=tiny_mm2)
    assert sum(area(common(plate, cell)) for plate in plates) == pytest.approx(whole_mm2, abs=2 * tiny_mm2)
    for k in (0, 1):
        outside_the_cell_mm2 = area(plates[k]) - area(common(plates[k], cell))
        assert outside_the_cell_mm2 == pytest.approx(strip_beyond_mm2(angle_deg, k, cell, widths_mm[k]), rel=1e-9)


def strip_beyond_mm2(angle_deg: float, k: int, cell: np.ndarray, width_mm: float) -> float:
    """A plate's area from the cell's near side out to REACH_MM; that side is slanted, so its middle counts."""
    along = cell @ np.array(in_plane(angle_deg, k, 1.0, 0.0))
    into = cell @ np.array(in_plane(angle_deg, k, 0.0, 1.0))
    at_line = np.abs(into) < 1e-6
    return width_mm * (REACH_MM - (along[at_line].max() + along[~at_line].max()) / 2.0)


@given(
    st.floats(20.0, 160.0), st.tuples(WIDTHS, WIDTHS), st.tuples(MARKS, MARKS), st.sampled_from(["outside", "inside"])
)
def test_mitred_ends_share_both_points_of_the_mitre(
    angle_deg: float, widths_mm: tuple[float, float], marks: tuple[Marks, Marks], turn: Turn
) -> None:
    pair = [a_run("north", marks[0], widths_mm[0]), a_run("east", marks[1], widths_mm[1])]
    ends = corner_ends(a_corner(angle_deg), two(*pair), turn)
    points = []
    for k, (run, end) in enumerate(zip(pair, ends, strict=True)):
        line = in_plane(angle_deg, k, end.station_mm, 0.0)
        far = in_plane(angle_deg, k, end.far_station_mm, far_into_mm(run, turn))
        points.append((line, far) if run.line_marks == "outside" else (far, line))
    assert points[0][0] == pytest.approx(points[1][0], abs=1e-6)
    assert points[0][1] == pytest.approx(points[1][1], abs=1e-6)


@pytest.mark.parametrize(
    ("angle_deg", "saw_deg"),
    [(90.0, 45.0), (135.0, 22.5), (120.0, 30.0), (150.0, 15.0), (92.0, 44.0), (88.5, 45.75), (90.999, 44.5005)],
)
@pytest.mark.parametrize("turn", ["outside", "inside"])
def test_plates_of_one_width_are_mitred_to_half_the_turn(angle_deg: float, saw_deg: float, turn: Turn) -> None:
    """Saw setting 90 - C/2, and 22.5 for a 45 degree bay as how-to pages print it."""
    for end in corner_ends(a_corner(angle_deg), PLAIN, turn):
        assert end.saw_deg == pytest.approx(saw_deg)
        assert math.copysign(1.0, end.cut_deg) == (-1.0 if turn == "outside" else 1.0)


def test_a_mitre_between_two_widths_runs_from_outer_to_inner_crossing() -> None:
    """2x4 against 2x6 square: 3.5 along over 5.5 across on the wide one, and the other way on the narrow one."""
    runs = two(a_run("north", width_mm=5.5 * MM_PER_INCH), a_run("east", width_mm=3.5 * MM_PER_INCH))
    wide, narrow = corner_ends(a_corner(90.0), runs, "outside")
    assert wide.saw_deg == pytest.approx(math.degrees(math.atan(3.5 / 5.5)))
    assert narrow.saw_deg == pytest.approx(math.degrees(math.atan(5.5 / 3.5)))
    assert wide.saw_deg + narrow.saw_deg == pytest.approx(90.0)


@pytest.mark.parametrize(
    ("off_deg", "width_in", "taper_in"), [(1.0, 3.5, 0.061), (1.0, 5.5, 0.096), (2.0, 3.5, 0.122), (2.0, 5.5, 0.192)]
)
@pytest.mark.parametrize("way", [-1.0, 1.0])
def test_a_butted_end_tapers_by_the_corner_s_error(
    off_deg: float, width_in: float, taper_in: float, way: float
) -> None:
    """Taper over the width: w tan |90 - C|, worked to thousandths of an inch."""
    runs = two(*(a_run(name, width_mm=width_in * MM_PER_INCH) for name in ("north", "east")))
    for end in corner_ends(a_corner(90.0 + way * off_deg), runs, "outside", joint="butt"):
        assert end.saw_deg == pytest.approx(off_deg)
        assert end.long_point_mm != end.short_point_mm
        assert abs(end.long_point_mm - end.short_point_mm) / MM_PER_INCH == pytest.approx(taper_in, abs=5e-4)


def test_the_second_layer_laps_the_other_way() -> None:
    first, second, third = (
        [end.joint for end in corner_ends(a_corner(), PLAIN, "outside", joint="butt", through="east", layer=layer)]
        for layer in (1, 2, 3)
    )
    assert first == third == ["butt", "through"]
    assert second == ["through", "butt"]


@pytest.mark.parametrize("turn", ["outside", "inside"])
def test_square_butted_plates_end_at_the_line_and_a_width_from_it(turn: Turn) -> None:
    """Outside lines at a square outside corner: through to the other's line, butted a width in. At an inside corner the
    plates lie beyond the lines: through a width past the crossing, butted at the other's line."""
    through, butted = corner_ends(a_corner(), PLAIN, turn, joint="butt")
    expected = (0.0, 139.7) if turn == "outside" else (-139.7, 0.0)
    assert (through.station_mm, butted.station_mm) == pytest.approx(expected, abs=1e-9)
    assert (through.saw_deg, butted.saw_deg) == pytest.approx((0.0, 0.0), abs=1e-9)


def test_a_regular_octagon_closes_with_eight_equal_plates() -> None:
    """Outside edges of 1000 mm: the inside edges are the octagon whose walls lie a width further in."""
    width_mm, side_mm = 139.7, 1000.0
    runs = two(a_run("north", cards_at_mm=500.0), a_run("east", cards_at_mm=500.0))
    low = corner_ends(a_corner(135.0), runs, "outside")[0]
    high = corner_ends(a_corner(135.0, station_mm={"north": side_mm, "east": 0.0}), runs, "outside")[0]
    lengths = edge_lengths(low, high)
    inradius_mm = side_mm / 2.0 / math.tan(math.pi / 8.0)
    assert low.saw_deg == high.saw_deg == pytest.approx(22.5)
    assert lengths.line_edge_mm == lengths.long_points_mm == pytest.approx(side_mm)
    inner_mm = side_mm * (inradius_mm - width_mm) / inradius_mm
    assert (lengths.far_edge_mm, lengths.short_points_mm) == pytest.approx((inner_mm, inner_mm))


@given(st.floats(30.0, 150.0), st.floats(30.0, 150.0), MARKS, st.sampled_from(["outside", "inside"]))
def test_ends_and_piece_agree_on_lengths(low_deg: float, high_deg: float, marks: Marks, turn: Turn) -> None:
    runs = two(a_run("north", marks), a_run("east", marks))
    low = corner_ends(a_corner(low_deg), runs, turn)[0]
    high = corner_ends(a_corner(high_deg, station_mm={"north": 5000.0, "east": 0.0}), runs, turn)[0]
    piece = PlatePiece("", "north", 1, low.station_mm, high.station_mm, 139.7, 38.1, low.cut_deg, high.cut_deg)
    lengths = edge_lengths(low, high)
    assert piece.line_edge_mm == pytest.approx(lengths.line_edge_mm)
    assert piece.far_edge_mm == pytest.approx(lengths.far_edge_mm)
    assert piece.longest_mm == pytest.approx(lengths.long_points_mm)


@given(st.floats(30.0, 150.0), st.floats(0.01, 0.2), st.sampled_from(["mitre", "butt"]), MARKS)
def test_the_interval_holds_every_end_the_angle_allows(
    angle_deg: float, u95_deg: float, joint: Literal["mitre", "butt"], marks: Marks
) -> None:
    runs = two(a_run("north", marks), a_run("east"))
    told = corner_ends(a_corner(angle_deg, u95_deg=u95_deg), runs, "outside", joint=joint)
    for share in (-1.0, -0.5, 0.5, 1.0):
        other = corner_ends(a_corner(angle_deg + share * u95_deg), runs, "outside", joint=joint)
        for mine, moved in zip(told, other, strict=True):
            assert mine.moved_by_angle_mm is not None
            assert mine.far_moved_by_angle_mm is not None
            assert mine.cut_u95_deg is not None
            assert abs(moved.station_mm - mine.station_mm) <= mine.moved_by_angle_mm + 1e-9
            assert abs(moved.far_station_mm - mine.far_station_mm) <= mine.far_moved_by_angle_mm + 1e-9
            assert abs(moved.cut_deg - mine.cut_deg) <= mine.cut_u95_deg + 1e-9


def test_a_mitred_plate_s_cut_is_half_as_unsure_as_the_corner() -> None:
    end, _ = corner_ends(a_corner(90.0, u95_deg=0.2), PLAIN, "outside")
    assert end.cut_u95_deg == pytest.approx(0.1)
    assert end.moved_by_angle_mm == pytest.approx(0.0)  # its long point is the crossing itself
    assert end.far_moved_by_angle_mm == pytest.approx(139.7 * math.radians(0.2), rel=0.01)


def test_the_crossing_s_own_interval_is_added_where_it_is_given() -> None:
    end, other = corner_ends(a_corner(), PLAIN, "outside", crossing_mm={"north": 1.5})
    assert end.u95_mm == pytest.approx(1.5)
    assert end.far_u95_mm == pytest.approx(math.hypot(1.5, end.far_moved_by_angle_mm or 0.0))
    assert other.u95_mm is None


def test_nothing_is_claimed_of_an_angle_without_an_interval() -> None:
    for end in corner_ends(a_corner(u95_deg=None), PLAIN, "outside", crossing_mm={"north": 1.0, "east": 1.0}):
        assert (end.cut_u95_deg, end.moved_by_angle_mm, end.u95_mm, end.far_u95_mm) == (None, None, None, None)


def test_a_doubted_corner_s_ends_are_doubted() -> None:
    assert {end.status for end in corner_ends(a_corner(status="check"), PLAIN, "outside")} == {"check"}


@pytest.mark.parametrize(
    ("angle_deg", "u95_deg", "says"),
    [
        (180.0, 0.05, r"north and east.*one \[\[run\]\]"),
        (179.951, 0.05, r"north and east.*one \[\[run\]\]"),
        (0.0, 0.05, "north and east.*lie on each other"),
        (0.049, 0.05, "north and east.*lie on each other"),
    ],
)
def test_lines_that_do_not_cross_are_no_corner(angle_deg: float, u95_deg: float | None, says: str) -> None:
    with pytest.raises(JobError, match=says):
        corner_ends(a_corner(angle_deg, u95_deg=u95_deg), PLAIN, "outside")


@pytest.mark.parametrize("angle_deg", [0.051, 179.949])
def test_just_inside_the_limit_is_a_corner(angle_deg: float) -> None:
    assert corner_ends(a_corner(angle_deg, u95_deg=0.05), PLAIN, "outside")


@pytest.mark.parametrize(
    ("changes", "says"),
    [
        ({"angle_deg": None}, "north and east.*not measured.*Photograph it again"),
        ({"angle_deg": math.nan}, "not measured"),
        ({"status": "reshoot"}, "not measured"),
        ({"station_mm": {"north": 0.0}}, "not measured"),
    ],
)
def test_a_corner_not_measured_is_refused(changes: dict[str, Any], says: str) -> None:
    with pytest.raises(JobError, match=says):
        corner_ends(replace(a_corner(), **changes), PLAIN, "outside")


def test_wrong_names_are_refused() -> None:
    with pytest.raises(JobError, match='run "west" cannot run through'):
        corner_ends(a_corner(), PLAIN, "outside", through="west")
    with pytest.raises(JobError, match='run "east" is not in the record'):
        corner_ends(a_corner(), two(a_run("north")), "outside")


def test_ends_that_leave_no_plate_are_refused() -> None:
    with pytest.raises(JobError, match="leave no plate"):
        edge_lengths(square_end("north", "low", 500.0), square_end("north", "high", 500.0))
    with pytest.raises(JobError, match="same layer"):
        edge_lengths(square_end("north", "low", 0.0), square_end("north", "high", 500.0, layer=2))


# --- which way the building turns, by the photos ---


def seen_from_above(x_axis_deg: float, y_sign: float) -> tuple[tuple[float, float, float], ...]:
    """Rotation of a run's view for a camera that looks straight down; all cameras alike, so only differences count."""
    t = math.radians(x_axis_deg)
    along = np.array([math.cos(t), math.sin(t), 0.0])
    across = y_sign * np.array([-math.sin(t), math.cos(t), 0.0])
    down = np.array([[1.0, 0.0, 0.0], [0.0, -1.0, 0.0], [0.0, 0.0, -1.0]])
    matrix = down @ np.column_stack([along, across, [0.0, 0.0, 1.0]])
    return tuple((float(a), float(b), float(c)) for a, b, c in matrix)


@given(
    st.floats(10.0, 170.0),
    st.floats(-180.0, 180.0),
    st.tuples(MARKS, MARKS),
    st.sampled_from(["outside", "inside"]),
    st.tuples(st.sampled_from([-1, 1]), st.sampled_from([-1, 1])),
    st.sampled_from([-1.0, 1.0]),
)
def test_photos_of_both_runs_tell_an_outside_corner_from_an_inside_one(
    angle_deg: float,
    turned_deg: float,
    marks: tuple[Marks, Marks],
    turn: Turn,
    sides: tuple[int, int],
    hand: float,
) -> None:
    """Runs leave the crossing at turned_deg and angle_deg further to the left (hand 1) or right; X runs either way."""
    pair, views = [], []
    for k, name in enumerate(("north", "east")):
        run = a_run(name, marks[k], cards_at_mm=sides[k] * 2000.0)
        leaves_deg = turned_deg + k * hand * angle_deg
        into_is_left = (k == 0) == (hand > 0.0)
        plate_left = into_is_left == (far_into_mm(run, turn) > 0.0)
        # seen along X, which is the way away from the crossing or against it
        y_sign = 1.0 if plate_left == (sides[k] > 0) else -1.0
        views.append(
            ViewRecord(name, seen_from_above(leaves_deg + (0.0 if sides[k] > 0 else 180.0), y_sign), (0, 0, 0))
        )
        pair.append(run)
    photo = PhotoRecord("a.jpg", True, "ok", views=tuple(views))
    corner = a_corner(angle_deg)
    assert corner_turn(Survey("", tuple(pair), (corner,), (photo,)), corner) == turn
    wrong = replace(pair[0], line_marks="inside" if marks[0] == "outside" else "outside")
    with pytest.raises(JobError, match=r"line_marks of both runs"):
        corner_turn(Survey("", (wrong, pair[1]), (corner,), (photo,)), corner)


def test_without_a_photo_of_both_runs_the_crew_must_say() -> None:
    corner = a_corner()
    with pytest.raises(JobError, match=r"north and east.*Say whether"):
        corner_turn(Survey("", tuple(PLAIN.values()), (corner,), ()), corner)
