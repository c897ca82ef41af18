"""Where the figures of a plate drawing stand, so that no leader runs through words and no words through others.

Along one edge of the plate: x runs along the row from its left, levels go away from the plate from 0. All in mm of
paper.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from functools import cached_property

from reportlab.pdfbase.pdfmetrics import stringWidth

from sillwright.tell.lettering import BOLD, printable
from sillwright.tell.plan import Anchor, Ink, Point

FIGURE_MM = 5.0  # capitals 3.6 mm high, to be read at arm's length in rain (common practice, no source)
WORDS_MM = 3.0
GAP_MM = 3.0  # between two labels; the sheet on a screen has letters of another width
_SHARE: dict[Anchor, float] = {"start": 0.0, "middle": 0.5, "end": 1.0}  # of a label's width left of its place
_TOUCH_MM = 1e-6


@dataclass(frozen=True)
class Label:
    """Small words over a figure, for the place ``at``: x along the row, and how far it lies from the chalk-line edge.

    side : which part of the words stands at that x if there is room
    """

    at: Point
    words: str
    figure: str
    side: Anchor
    ink: Ink = "ink"

    @cached_property
    def width(self) -> float:
        """Of the wider line, with half a gap at each end. Asked for at every try of a place, so kept."""
        words = stringWidth(printable(self.words), BOLD, WORDS_MM)
        return float(max(words, stringWidth(self.figure, BOLD, FIGURE_MM))) + GAP_MM


@dataclass(frozen=True)
class Placed:
    """A label with the left of its room, the level it stands on, and how its lines are set in that room."""

    label: Label
    left: float
    level: int
    side: Anchor

    @property
    def right(self) -> float:
        """The right of its room."""
        return self.left + self.label.width

    @property
    def text_x(self) -> float:
        """Where its lines are set from."""
        share = _SHARE[self.side]
        return self.left + share * self.label.width + (0.5 - share) * GAP_MM

    def spans(self, x: float) -> bool:
        """Whether something that rises at ``x`` runs through it."""
        return self.left + _TOUCH_MM < x < self.right - _TOUCH_MM

    @property
    def beside(self) -> bool:
        """Whether it stands to one side of its own place, as a flag to its pole."""
        return not self.spans(self.label.at[0])


def place_labels(labels: Sequence[Label], row_width: float) -> list[Placed]:
    """A place for each label, clear of the others and of their leaders where there is one.

    Worked out from the left and from the right, with each label's own side first or one side for all; taken is the
    first of those with the fewest leaders through words, then the fewest levels.
    """
    in_order = sorted(labels, key=lambda label: label.at[0])
    sides: list[Anchor | None] = [None, *_SHARE]
    ways = [_place_in_turn(order, row_width, side) for side in sides for order in (in_order, in_order[::-1])]
    return min(ways, key=lambda placed: (crossings(placed), max((one.level for one in placed), default=0)))


def crossings(placed: Sequence[Placed]) -> int:
    """How many leaders run through words nearer the plate."""
    return sum(_crossed(near, far) for near in placed for far in placed if near is not far)


def _crossed(near: Placed, far: Placed) -> bool:
    return far.level > near.level and far.label.ink != "faint" and near.spans(far.label.at[0])


def _place_in_turn(order: Sequence[Label], row_width: float, first: Anchor | None) -> list[Placed]:
    placed: list[Placed] = []
    for number, label in enumerate(order):
        waiting = [other.at[0] for other in order[number + 1 :]]
        beside = [order[place].at[0] for place in (number - 1, number + 1) if 0 <= place < len(order)]
        ways = _ways(label, row_width, first, beside)
        choices = (Placed(label, left, level, side) for level in range(len(order)) for left, side in ways)
        placed.append(_best(choices, placed, waiting))
    return placed


def _best(choices: Iterable[Placed], placed: Sequence[Placed], waiting: Sequence[float]) -> Placed:
    """The first that stands in the way of nothing; else the first of those that stand in the way of the least.

    waiting : where the leaders of labels yet to be placed will rise
    """
    roomy = uncrossed = clear = None
    for one in choices:
        if any(_overlap(one, other) for other in placed):
            continue
        clear = clear or one
        if any(_crossed(one, other) or _crossed(other, one) for other in placed):
            continue
        uncrossed = uncrossed or one
        over = sum(one.spans(x) for x in waiting)
        if not over:
            return one
        if over <= one.level:  # a level is left for each
            roomy = roomy or one
    best = roomy or uncrossed or clear
    assert best is not None
    return best


def _ways(label: Label, row_width: float, first: Anchor | None, beside: Sequence[float]) -> list[tuple[float, Anchor]]:
    """Lefts of a label and how its lines are set, the best first; ``beside`` are the leaders next to its own.

    The last one, held inside the row, is there whatever the row's width.
    """
    sides = sorted(_SHARE, key=lambda side: side != (first or label.side))
    x, width = label.at[0], label.width
    lefts = [(x - _SHARE[side] * width, side) for side in sides]
    lefts += [(left, "middle") for at in beside for left in (at, at - width) if left < x < left + width]
    within = [pair for pair in lefts if -_TOUCH_MM <= pair[0] <= row_width - width + _TOUCH_MM]
    held = max(min(x - _SHARE[label.side] * width, row_width - width), 0.0)
    return [*within, (held, label.side)]


def _overlap(one: Placed, other: Placed) -> bool:
    return one.level == other.level and one.left < other.right - _TOUCH_MM and other.left < one.right - _TOUCH_MM
