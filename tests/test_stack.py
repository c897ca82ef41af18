"""Whether enough bolt stands out of the concrete for all that goes over it."""

from __future__ import annotations

from dataclasses import replace

import pytest

from judge_runs import INCH, a_bolt
from sillwright.fasteners import bolt_size
from sillwright.judge.rules import rule_set
from sillwright.judge.stack import SEALER_MM, stack_over, stick_up
from sillwright.judge.verdicts import Verdict

IRC = rule_set("irc-2021")


@pytest.mark.parametrize(
    ("size", "plates_in", "plain_in", "washer_in"),
    [
        ("1/2 in", 1.5, 2.36, 2.59),
        ("5/8 in", 1.5, 2.53, 2.76),
        ("3/4 in", 1.5, 2.67, 2.90),
        ("1/2 in", 3.0, 3.86, 4.09),
        ("5/8 in", 3.0, 4.03, 4.26),
    ],
)
def test_the_stack_over_a_bolt(size: str, plates_in: float, plain_in: float, washer_in: float) -> None:
    """Sums of 1/8 in sealer, plates, ASME B18.21.1 washer, B18.2.2 nut and two threads; with a plate washer."""
    plain = stack_over(bolt_size(size), plates_in * INCH, IRC)
    assert plain.height_mm / INCH == pytest.approx(plain_in, abs=0.0051)
    # The published figure with a plate washer is a sum of rounded ones.
    with_washer = stack_over(bolt_size(size), plates_in * INCH, rule_set("irc-2021", seismic=True))
    assert with_washer.height_mm / INCH == pytest.approx(washer_in, abs=0.01)


@pytest.mark.parametrize(
    ("spare_mm", "u95_mm", "verdict"),
    [(0.0, 0.0, "meets"), (-0.01, 0.0, "does not"), (0.9, 1.0, "cannot tell"), (1.1, 1.0, "meets")],
)
def test_stick_up_is_held_against_the_stack(spare_mm: float, u95_mm: float, verdict: Verdict) -> None:
    """The stack's own sums are those above; that the bolt must reach over it: common practice, no source."""
    stack = stack_over(bolt_size("1/2 in"), 38.1, IRC)
    bolt = replace(a_bolt(u95_mm=u95_mm), stickup_mm=stack.height_mm + spare_mm)
    assert stick_up(bolt, stack).verdict == verdict


def test_a_bolt_that_leans_runs_through_more_of_the_stack() -> None:
    stack = stack_over(bolt_size("1/2 in"), 38.1, IRC, sealer_mm=SEALER_MM, threads_showing=2)
    assert stick_up(replace(a_bolt(), lean_deg=60.0), stack).limit_mm == pytest.approx(2.0 * stack.height_mm)


def test_a_stick_up_not_known_cannot_be_told() -> None:
    stack = stack_over(bolt_size("1/2 in"), 38.1, IRC)
    assert stick_up(replace(a_bolt(), stickup_mm=None), stack).verdict == "cannot tell"
    assert stick_up(a_bolt(status="reshoot"), stack).verdict == "cannot tell"
    assert [stick_up(a_bolt(status=status), stack).doubtful for status in ("ok", "check")] == [False, True]
