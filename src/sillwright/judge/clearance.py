"""Whether a run is cleared to drill: every bolt is ok, or a foreman accepted it, with a reason, as it stands now."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from sillwright.decisions import Decision, Decisions, bolt_as_it_stands, run_as_it_stands
from sillwright.survey import RunRecord, Status

Standing = Literal["ok", "accepted", "open", "sent back", "no number"]
"""``open`` : wants a word first; ``no number`` : a bolt (or run) to be shot again, which no word makes good."""


@dataclass(frozen=True)
class Cleared:
    """How one bolt, or what is said of the run as a whole (``mark`` empty), stands with the foreman.

    said : the word that counts now; lapsed : a word said of numbers that have changed since
    """

    mark: str
    standing: Standing
    said: Decision | None = None
    lapsed: Decision | None = None


@dataclass(frozen=True)
class Clearance:
    """One run: the run as a whole first, then its bolts in the record's order."""

    run: str
    whole: Cleared
    bolts: tuple[Cleared, ...]

    @property
    def cleared(self) -> bool:
        """Whether the run may be drilled as far as the measuring goes; codes and drawings are not asked here."""
        return bool(self.bolts) and all(one.standing in ("ok", "accepted") for one in (self.whole, *self.bolts))

    @property
    def waiting(self) -> tuple[Cleared, ...]:
        """What keeps it from being cleared."""
        return tuple(one for one in (self.whole, *self.bolts) if one.standing not in ("ok", "accepted"))


def clearance(run: RunRecord, decisions: Decisions) -> Clearance:
    """Hold a run's bolts against what was said of them.

    An ok bolt needs no word, but may be sent back. A run's own status counts beside its bolts' where it says more than
    they do: something may stand there that has no line in the record.
    """
    bolts = tuple(_cleared(decisions, run.name, bolt.mark, bolt.status, bolt_as_it_stands(bolt)) for bolt in run.bolts)
    own: Status = run.status
    if run.status == "check" and not run.reasons and any(bolt.status != "ok" for bolt in run.bolts):
        own = "ok"  # it is check for its bolts' sake alone
    return Clearance(run.name, _cleared(decisions, run.name, "", own, run_as_it_stands(run)), bolts)


def _cleared(decisions: Decisions, run: str, mark: str, status: Status, stood: str) -> Cleared:
    said, lapsed = decisions.newest(run, mark, stood), decisions.lapsed(run, mark, stood)
    if said is not None and said.verdict == "sent back":
        return Cleared(mark, "sent back", said)
    if status == "ok":
        return Cleared(mark, "ok", said, lapsed)
    if status == "reshoot":
        return Cleared(mark, "no number", None, said or lapsed)
    accepted = said is not None and bool(said.word.strip())
    return Cleared(mark, "accepted" if accepted else "open", said, lapsed)
