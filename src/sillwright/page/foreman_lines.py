"""A run's bolts as a foreman looks through them: numbers, status, rules, and what was said; sorted and picked out.

Numbers and words are those of the sheets (``tell.rows``); a bolt that must be shot again has no number here either.
"""

from __future__ import annotations

import hashlib
import json
from collections.abc import Callable, Mapping, Sequence
from dataclasses import asdict, dataclass, replace
from urllib.parse import urlencode

from sillwright.decisions import Decision, Decisions, bolt_as_it_stands, run_as_it_stands
from sillwright.judge.clearance import Clearance, Cleared
from sillwright.judge.verdicts import Check, Verdict, worst_of
from sillwright.survey import STATUS_ORDER, BoltRecord, RunRecord, Status, Survey
from sillwright.tell.rows import HoleRow, LeanRow, Shown, hole_rows, in_wall_order, lean_rows, shown

VERDICT_KEYS: dict[Verdict, str] = {"does not": "fails", "cannot tell": "unsure", "meets": "meets"}
"""Each verdict as it stands in an address, the worst first."""
_WAITS = ("open", "sent back", "no number")


@dataclass(frozen=True)
class BoltLine:
    """One bolt.

    checks : the rules held against it; None where no rules could be
    judged : stands for the numbers and for what had been said of them when the page was made
    """

    bolt: BoltRecord
    hole: HoleRow
    lean: LeanRow
    stickup: Shown | None
    cleared: Cleared
    checks: tuple[Check, ...] | None
    judged: str

    @property
    def status(self) -> Status:
        """Its status, as it is shown."""
        return self.hole.status

    @property
    def verdict(self) -> str:
        """The worst of its rules, as in ``VERDICT_KEYS``; empty where none was held against it."""
        return VERDICT_KEYS[worst_of({check.verdict for check in self.checks})] if self.checks else ""

    @property
    def not_met(self) -> tuple[Check, ...]:
        """The rules that it does not meet, or that cannot be told."""
        return tuple(check for check in self.checks or () if check.verdict != "meets")

    @property
    def waits(self) -> bool:
        """Whether it keeps the run from being cleared."""
        return self.cleared.standing in _WAITS

    @property
    def may_accept(self) -> bool:
        """Whether a word can let it through: not where there is no number, nor where none is asked."""
        return self.cleared.standing in ("open", "sent back")


@dataclass(frozen=True)
class View:
    """How the list is sorted, and which bolts it shows, as it stands in the address; what is not known is not asked."""

    sort: str = "along"
    status: str = ""
    rules: str = ""
    waiting: str = ""

    @classmethod
    def of(cls, asked: Mapping[str, str]) -> View:
        """What an address or form asks for."""
        known: dict[str, tuple[str, ...]] = {
            "sort": SORTS,
            "status": STATUS_ORDER,
            "rules": tuple(VERDICT_KEYS.values()),
            "waiting": ("1",),
        }
        return cls(**{name: asked[name] for name, values in known.items() if asked.get(name, "") in values})

    def address(self, **changes: str) -> str:
        """The end of the address of this view with some of it changed; empty for the list as it is at first."""
        first, then = asdict(View()), asdict(replace(self, **changes))
        told = urlencode({name: value for name, value in then.items() if value != first[name]})
        return f"?{told}" if told else "?"

    def shows(self, line: BoltLine) -> bool:
        """Whether a bolt is on the list."""
        return (
            self.status in ("", line.status) and self.rules in ("", line.verdict) and (not self.waiting or line.waits)
        )


def bolt_lines(
    survey: Survey, run: RunRecord, found: Clearance, decisions: Decisions, checks: Mapping[str, Sequence[Check]] | None
) -> tuple[BoltLine, ...]:
    """A line for each bolt, in the order of the wall; ``checks`` by the bolt's mark."""
    standing = {one.mark: one for one in found.bolts}
    rows = zip(in_wall_order(run), hole_rows(run), lean_rows(survey, run), strict=True)
    return tuple(
        BoltLine(
            bolt,
            hole,
            lean,
            None
            if bolt.stickup_mm is None or hole.status == "reshoot"
            else shown(bolt.stickup_mm, bolt.u95.stickup_mm),
            standing[bolt.mark],
            None if checks is None else tuple(checks.get(bolt.mark, ())),
            judged_token(decisions, run, bolt),
        )
        for bolt, hole, lean in rows
    )


def in_view(lines: Sequence[BoltLine], view: View) -> tuple[BoltLine, ...]:
    """The lines of a view, in its order; what has no number to sort by comes last."""
    return tuple(sorted(filter(view.shows, lines), key=_SORTS[view.sort]))


def judged_token(decisions: Decisions, run: RunRecord, bolt: BoltRecord | None) -> str:
    """What a form carries of a bolt (or of the run as a whole): another one once its numbers change, or somebody else
    has said a word on it."""
    mark = "" if bolt is None else bolt.mark
    stands = run_as_it_stands(run) if bolt is None else bolt_as_it_stands(bolt)
    said = [one.model_dump(mode="json") for one in decisions.said if (one.run, one.mark) == (run.name, mark)]
    return hashlib.sha256(json.dumps([stands, said], sort_keys=True).encode()).hexdigest()


def said_when(said: Decision) -> str:
    """When a word was said, by this machine's clock."""
    return f"{said.at.astimezone():%Y-%m-%d %H:%M}"


def _far(value: float | None, line: BoltLine) -> tuple[bool, float]:
    hidden = value is None or line.status == "reshoot"
    return hidden, 0.0 if hidden or value is None else -value


_SORTS: dict[str, Callable[[BoltLine], tuple[bool, float]]] = {
    "along": lambda line: (False, 0.0),  # the order they come in
    "in": lambda line: _far(line.bolt.setback_mm, line),
    "lean": lambda line: _far(line.bolt.lean_deg, line),
    "stickup": lambda line: _far(line.bolt.stickup_mm, line),
    "status": lambda line: (False, -STATUS_ORDER.index(line.status)),
    "rules": lambda line: (not line.verdict, [*VERDICT_KEYS.values(), ""].index(line.verdict)),
    "word": lambda line: (not line.waits, 0.0),
}
SORTS = tuple(_SORTS)
