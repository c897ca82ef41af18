"""Plate washers of a seismic rule on the wood: at, just inside and just outside each limit, with the bolt's interval.

Published figures: 0.229 by 3 by 3 in, slot at most bolt + 3/16 in by 1 3/4 in (IRC R602.11.1; IBC 2006 2305.3.11);
washer's edge within 1/2 in of the sheathed edge of the bottom plate (SDPWS 4.3.6.4.3). What follows from them by
arithmetic: on a 2x4 a plain washer has 1/4 in of play either way (an engineer's remark on sites says so too); the slot
gives (1 3/4 in - d) / 2 at 45 degrees, 0.442, 0.398 and 0.354 in toward an edge for 1/2, 5/8 and 3/4 in bolts; on a
2x6 a plain washer reaches the 1/2 in up to 2.0 in from that edge, a slotted one on a 1/2 in bolt up to 2.44 in.
"""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st

from judge_runs import INCH
from sillwright.judge.plate_washer import BoltAtNut, WasherFit, washer_fit
from sillwright.judge.rules import LengthFigure, PlateWasherFigure, rule_set
from sillwright.judge.steps import Piece
from sillwright.judge.verdicts import Check

SEISMIC = rule_set("irc-2021", seismic=True)
EDGE = SEISMIC.plate_washer_edge
assert SEISMIC.plate_washer is not None
SLOTTED = SEISMIC.plate_washer
PLAIN = replace(SLOTTED, slot_length_mm=0.0)
LONG = Piece("P1", 0.0, 120 * INCH)
HAIR_IN = 0.002


def fit_in(
    setback_in: float,
    *,
    width_in: float = 5.5,
    washer: PlateWasherFigure = PLAIN,
    u95_in: float | None = 0.0,
    station_in: float = 60.0,
    diameter_in: float = 0.5,
    piece: Piece = LONG,
    edge: LengthFigure | None = EDGE,
) -> tuple[WasherFit, tuple[Check, ...]]:
    u95_mm = None if u95_in is None else u95_in * INCH
    bolt = BoltAtNut(
        "N1", diameter_in * INCH, station_in * INCH, setback_in * INCH, u95_mm, u95_mm, u95_mm
    )  # fmt: skip
    return washer_fit(bolt, "north", piece, width_in * INCH, washer, edge)


@pytest.mark.parametrize(("diameter_in", "shift_in"), [(0.5, 0.442), (0.625, 0.398), (0.75, 0.354)])
def test_the_slot_gives_what_its_length_gives_at_45_degrees(diameter_in: float, shift_in: float) -> None:
    assert SLOTTED.shift_mm(diameter_in * INCH) / INCH == pytest.approx(shift_in, abs=5e-4)
    assert PLAIN.shift_mm(diameter_in * INCH) == 0.0


@pytest.mark.parametrize("side", ["chalk-line side", "far side"])
@pytest.mark.parametrize(
    ("width_in", "washer", "least_in"),
    [
        (3.5, PLAIN, 1.5),  # a 2x4: 1/4 in off its middle
        (5.5, PLAIN, 1.5),
        (3.5, SLOTTED, 1.5 - 0.44194),
        (5.5, SLOTTED, 1.5 - 0.44194),
    ],
)
def test_all_of_it_lies_on_the_plates_width_up_to_the_limit(side, width_in, washer, least_in) -> None:
    def verdict(away_in: float, u95_in: float) -> str:
        setback_in = away_in if side == "chalk-line side" else width_in - away_in
        fit, checks = fit_in(setback_in, width_in=width_in, washer=washer, u95_in=u95_in)
        assert checks[0].key == "washer-on-wood"
        assert checks[0].verdict == fit.on_wood
        return fit.on_wood

    assert verdict(least_in + 1e-5, 0.0) == "meets"
    assert verdict(least_in - HAIR_IN, 0.0) == "does not"
    # Within the half-width of the limit nothing is claimed (JCGM 106).
    assert verdict(least_in + 0.03 + HAIR_IN, 0.03) == "meets"
    assert verdict(least_in + 0.03 - HAIR_IN, 0.03) == "cannot tell"
    assert verdict(least_in - 0.03 + HAIR_IN, 0.03) == "cannot tell"
    assert verdict(least_in - 0.03 - HAIR_IN, 0.03) == "does not"


def test_what_hangs_over_is_told_with_how_much_and_over_which_edge() -> None:
    fit, (check,) = fit_in(5.5 - 1.25, u95_in=0.05)
    assert (check.verdict, check.other) == ("does not", "far side")
    assert check.measured_mm == pytest.approx(-0.25 * INCH)
    assert (fit.nearest, fit.room_mm) == ("far side", pytest.approx(-0.25 * INCH))
    assert fit.move is None
    slotted, _ = fit_in(5.5 - 1.25, u95_in=0.05, washer=SLOTTED)
    assert slotted.on_wood == "meets"
    assert slotted.move is not None
    assert slotted.move.least_mm == pytest.approx(0.3 * INCH)  # a quarter, and its half-width
    assert (slotted.move.toward, slotted.move.along) == ("chalk-line side", None)


@pytest.mark.parametrize(("washer", "reach_in"), [(PLAIN, 2.0), (SLOTTED, 2.44194)])
@pytest.mark.parametrize("side", ["chalk-line side", "far side"])
def test_its_edge_comes_within_half_an_inch_of_an_edge_up_to_the_limit(washer, reach_in, side) -> None:
    def near(away_in: float, u95_in: float = 0.0) -> object:
        fit, _ = fit_in(away_in if side == "chalk-line side" else 5.5 - away_in, washer=washer, u95_in=u95_in)
        return next(one.near_enough for one in fit.sides if one.side == side)

    assert near(reach_in - 1e-5) == "meets"
    assert near(reach_in + HAIR_IN) == "does not"
    assert near(reach_in - 0.03 - HAIR_IN, 0.03) == "meets"
    assert near(reach_in - 0.03 + HAIR_IN, 0.03) == "cannot tell"
    assert near(reach_in + 0.03 - HAIR_IN, 0.03) == "cannot tell"
    assert near(reach_in + 0.03 + HAIR_IN, 0.03) == "does not"


def test_a_centred_bolt_in_a_2x6_comes_near_neither_edge_and_in_a_2x4_near_both() -> None:
    for washer in (PLAIN, SLOTTED):
        wide, (_, far) = fit_in(2.75, washer=washer)
        assert (wide.near_enough, far.verdict) == ((), "does not")
        narrow, (_, both) = fit_in(1.75, width_in=3.5, washer=washer)
        assert (narrow.near_enough, both.verdict) == (("chalk-line side", "far side"), "meets")


def test_one_side_alone_cannot_be_told_without_the_sheathed_one() -> None:
    fit, (_, check) = fit_in(1.9)
    assert fit.near_enough == ("chalk-line side",)
    assert (check.verdict, check.other) == ("cannot tell", "chalk-line side")
    assert check.measured_mm == pytest.approx(0.4 * INCH)
    assert check.limit_mm == pytest.approx(0.5 * INCH)


def test_a_washer_that_is_not_on_the_wood_is_not_near_an_edge_of_it() -> None:
    fit, checks = fit_in(1.0)
    assert fit.near_enough == ()
    assert [check.key for check in checks] == ["washer-on-wood"]


@pytest.mark.parametrize("end", ["low end", "high end"])
def test_it_does_not_hang_off_a_pieces_end_up_to_the_limit(end: str) -> None:
    def verdict(away_in: float, washer: PlateWasherFigure = PLAIN, u95_in: float = 0.0) -> str:
        fit, (check, *_) = fit_in(
            2.75, station_in=away_in if end == "low end" else 120 - away_in, washer=washer, u95_in=u95_in
        )
        assert fit.nearest == end
        assert fit.on_wood == "meets" or check.other == end
        return fit.on_wood

    assert verdict(1.5 + 1e-5) == "meets"
    assert verdict(1.5 - HAIR_IN) == "does not"
    assert verdict(1.5 + 0.03 - HAIR_IN, u95_in=0.03) == "cannot tell"
    assert verdict(1.5 + 0.03 + HAIR_IN, u95_in=0.03) == "meets"
    assert verdict(1.5 - 0.03 - HAIR_IN, u95_in=0.03) == "does not"
    # Along the slot it comes as far in as it goes across.
    assert verdict(1.5 - 0.44194 + 1e-5, SLOTTED) == "meets"
    assert verdict(1.5 - 0.44194 - HAIR_IN, SLOTTED) == "does not"


def test_on_a_2x4_the_width_bounds_how_far_along_a_slotted_washer_goes() -> None:
    """The slot is diagonal: what it goes along it goes across too, and there is 1/4 in to either edge."""
    assert fit_in(1.75, width_in=3.5, washer=SLOTTED, station_in=1.26)[0].on_wood == "meets"
    assert fit_in(1.75, width_in=3.5, washer=SLOTTED, station_in=1.24)[0].on_wood == "does not"


def test_a_mitred_end_is_met_by_the_washers_foremost_corner() -> None:
    """Cut back 45 degrees on the far edge: the corner at setback + 1 1/2 in meets the cut first."""
    mitred = Piece("P1", 0.0, 120 * INCH, low_cut_deg=-45.0)
    reach_in = 1.5 + (2.75 + 1.5)
    assert fit_in(2.75, station_in=reach_in + HAIR_IN, piece=mitred)[0].on_wood == "meets"
    assert fit_in(2.75, station_in=reach_in - HAIR_IN, piece=mitred)[0].on_wood == "does not"


def test_a_plate_narrower_than_the_washer_is_hung_over_however_well_the_bolt_is_known() -> None:
    for u95_in in (0.0, 5.0, None):
        fit, _ = fit_in(1.25, width_in=2.5, washer=SLOTTED, u95_in=u95_in)
        assert fit.on_wood == "does not"
        assert fit.room_mm == pytest.approx(-0.25 * INCH)


def test_what_is_not_known_cannot_be_told() -> None:
    fit, checks = fit_in(2.75, washer=SLOTTED, u95_in=None)
    assert (fit.on_wood, fit.move) == ("cannot tell", None)
    assert {check.verdict for check in checks} == {"cannot tell"}


def test_without_the_rule_for_the_edge_nothing_is_said_of_it() -> None:
    fit, checks = fit_in(2.75, edge=None)
    assert [check.key for check in checks] == ["washer-on-wood"]
    assert [one.near_enough for one in fit.sides] == [None, None]


def places(washer: PlateWasherFigure) -> list[tuple[float, float]]:
    """81 places along each of the four ways of the slot, mm along and across."""
    reach_mm = washer.shift_mm(0.5 * INCH)
    ways = [(along, across) for along in (1.0, -1.0) for across in (1.0, -1.0)]
    return [
        (reach_mm * step / 80.0 * along, reach_mm * step / 80.0 * across)
        for along, across in ways
        for step in range(81)
    ]


def on_wood(piece: Piece, width_mm: float, middles_mm: np.ndarray, side_mm: float) -> np.ndarray:
    """By overlay: which squares about these middles lie in the piece drawn as a polygon."""
    tan_low, tan_high = (math.tan(math.radians(cut)) for cut in (piece.low_cut_deg, piece.high_cut_deg))
    wood = shapely.Polygon(
        [(piece.low_mm, 0), (piece.high_mm, 0), (piece.high_mm + width_mm * tan_high, width_mm),
         (piece.low_mm - width_mm * tan_low, width_mm)]
    )  # fmt: skip
    low, high = middles_mm - side_mm / 2.0, middles_mm + side_mm / 2.0
    return shapely.covers(wood, shapely.box(low[..., 0], low[..., 1], high[..., 0], high[..., 1]))


@settings(max_examples=400)
@given(
    width_mm=st.sampled_from([88.9, 139.7]),
    across=st.floats(0.1, 0.9),
    station_mm=st.floats(0.0, 300.0),
    cuts_deg=st.tuples(*[st.sampled_from([0.0, 22.5, -22.5, 41.5, -45.0])] * 2),
    length_mm=st.sampled_from([330.0, 2000.0]),
    u95_mm=st.sampled_from([0.0, 0.3, 1.0, 3.0]),
    slotted=st.booleans(),
)
def test_what_is_said_of_a_washer_holds_in_one_place_wherever_in_its_interval_the_bolt_stands(
    width_mm: float,
    across: float,
    station_mm: float,
    cuts_deg: tuple[float, float],
    length_mm: float,
    u95_mm: float,
    slotted: bool,
) -> None:
    """Against polygons laid over each other: every place of the slot, with the bolt at each corner of its interval.

    A twentieth of a millimetre, which the steps between places leave open, is allowed.
    """
    washer, piece = SLOTTED if slotted else PLAIN, Piece("P1", 0.0, length_mm, *cuts_deg)
    u95_low_mm, u95_high_mm = (u95_mm * (1.0 + abs(math.tan(math.radians(cut)))) for cut in cuts_deg)
    setback_mm = across * width_mm
    bolt = BoltAtNut("N1", 12.7, station_mm, setback_mm, u95_low_mm, u95_high_mm, u95_mm)
    fit, _ = washer_fit(bolt, "north", piece, width_mm, washer, EDGE)

    corners_mm = np.array([(along, away) for along in (-u95_mm, u95_mm) for away in (-u95_mm, u95_mm)])
    moves_mm = np.array(places(washer))
    middles_mm = np.array([station_mm, setback_mm]) + moves_mm[:, None, :] + corners_mm[None]
    wide, tight = (on_wood(piece, width_mm, middles_mm, washer.side_mm + more) for more in (0.1, -0.1))
    if not tight.all(axis=1).any():
        assert fit.on_wood != "meets"
    if wide.all(axis=1).any():
        assert fit.on_wood == "meets"
    if tight.any():
        assert fit.on_wood != "does not"

    if fit.move is not None:
        alongs = [way for way, end in ((1.0, "high end"), (-1.0, "low end")) if fit.move.along in (None, end)]
        acrosses = [
            way for way, side in ((1.0, "far side"), (-1.0, "chalk-line side")) if fit.move.toward in (None, side)
        ]
        for move_mm in (fit.move.least_mm, fit.move.most_mm):
            told_mm = np.array([(along * move_mm, away * move_mm) for along in alongs for away in acrosses])
            there_mm = np.array([station_mm, setback_mm]) + told_mm[:, None, :] + corners_mm[None]
            assert on_wood(piece, width_mm, there_mm, washer.side_mm - 0.1).all()
    assert EDGE is not None
    for side in fit.sides:
        to_edge_mm = middles_mm[..., 1] if side.side == "chalk-line side" else width_mm - middles_mm[..., 1]
        left_mm = to_edge_mm - washer.side_mm / 2.0
        if fit.on_wood == "meets" and not (tight & (left_mm <= EDGE.value_mm + 0.05)).all(axis=1).any():
            assert side.near_enough != "meets"
        if fit.on_wood == "meets" and (wide & (left_mm <= EDGE.value_mm - 0.05)).all(axis=1).any():
            assert side.near_enough == "meets"
        if (tight & (left_mm <= EDGE.value_mm - 0.05)).any():
            assert side.near_enough != "does not"
        if fit.on_wood != "meets":
            assert side.near_enough is None


def test_a_washer_that_hangs_over_an_end_where_it_is_centred_is_moved_off_it_and_not_called_centred() -> None:
    """A bolt 1 1/4 in from the end: half of 3 in is 1 1/2, so that it goes 1/4 in along, either way across."""
    fit, _ = fit_in(2.75, station_in=1.25, washer=SLOTTED)
    assert fit.on_wood == "meets"
    assert fit.move is not None
    assert fit.move.least_mm == pytest.approx(0.25 * INCH)
    assert (fit.move.along, fit.move.toward) == ("high end", None)


def test_an_edge_that_the_end_does_not_leave_room_to_come_near_is_not_claimed() -> None:
    """Cut back 45 degrees on the far edge, a washer comes 1/2 in from that edge only where it hangs over the cut."""
    mitred = Piece("P1", 0.0, 120 * INCH, low_cut_deg=-45.0)
    far_away_in = 5.5 - 2.3
    reach_in = 1.5 + (far_away_in + 1.5) - 0.3
    fit, _ = fit_in(far_away_in, station_in=reach_in, piece=mitred, washer=SLOTTED)
    free, _ = fit_in(far_away_in, station_in=60.0, piece=mitred, washer=SLOTTED)
    assert fit.on_wood == free.on_wood == "meets"
    assert free.near_enough == ("far side",)
    assert fit.near_enough == ()
