"""What is to be said of a plan, in words: a sentence for each finding that a crew can act on, and the order of them.

A finding is data (``plates.findings``); the sentence is made here, so that terminal, sheets and documentation say the
same thing.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from typing import get_args

from sillwright.judge.passes import PassCode
from sillwright.judge.verdicts import CheckKey
from sillwright.lengths import format_feet_inches, format_inches
from sillwright.plates.findings import PlanFinding
from sillwright.tell.plate_sentences import PLAN_SENTENCES, RULE_WORDS
from sillwright.tell.plate_word_table import PASS_WORDS
from sillwright.tell.plate_words import play_words, shift_words, station_words
from sillwright.tell.reasons import length_text, reason_for

_PLACE = re.compile(r"\{(\w+)\|([^{}]*)\}|\{(marks|count)\?([^{}/]*)/([^{}/]*)\}")
_LAYERS = {1: "first plate", 2: "second plate", 3: "third plate"}


def explain_plan(finding: PlanFinding) -> str:
    """A sentence the crew can act on; the run or corner it is about is named where the sentence does not."""
    says, do = (_filled(part, finding) for part in PLAN_SENTENCES[finding.code])
    return f"{says[0].upper()}{says[1:]}: {do}."


def about(finding: PlanFinding) -> str:
    """What a finding speaks of, to stand before its sentence: a run, a corner, or the job."""
    if finding.run:
        return f"Run {finding.run}"
    return "Corner" if finding.corner else "The job"


def to_decide(findings: Sequence[PlanFinding]) -> list[PlanFinding]:
    """Those that ask for a decision, in the order of the plan."""
    return [finding for finding in findings if finding.weight == "decide"]


def notes(findings: Sequence[PlanFinding]) -> list[PlanFinding]:
    """Those that are only told."""
    return [finding for finding in findings if finding.weight == "note"]


def hangs_words(finding: PlanFinding) -> str:
    """What cannot be told before bolts were shot again; empty where nothing hangs on them."""
    rules = get_args(CheckKey)
    return _listed([RULE_WORDS[one] if one in rules else "the joints and added anchors" for one in finding.hangs])  # type: ignore[index]


def _filled(template: str, finding: PlanFinding) -> str:
    it = "it" if len(finding.marks) == 1 else "them"
    station = "" if finding.station_mm is None else station_words(finding.station_mm)
    values = {
        "run": finding.run,
        "corner": " and ".join(finding.corner),
        "marks": _listed(finding.marks),
        "about": f" ({_listed(finding.marks)})" if finding.marks else "",
        "piece": finding.piece and f"piece {finding.piece}",
        "layer": _LAYERS.get(finding.layer or 0, ""),
        "station": station,
        "to": "" if finding.to_station_mm is None else station_words(finding.to_station_mm),
        "hangs": finding.hangs and f"; {hangs_words(finding)} cannot be told without {it}",
        "near": station and f" (the outermost bolt there is at {station})",
        "ends": {"[run.begins]": "begins", "[run.ends]": "ends"}.get(finding.key, ""),
        "value": "" if finding.value_mm is None else length_text(finding.value_mm),
        "play": _play_words(finding.value_mm),
        "limit": "" if finding.value_mm is None else format_inches(finding.value_mm),
        "feet": "" if finding.value_mm is None else format_feet_inches(finding.value_mm),
        "over": "" if finding.value_mm is None else f" ({length_text(finding.value_mm)} over the bolt)",
        "shift": _shift_words(finding),
        "bolts": _counted(finding.count, "more bolt"),
        "rule": RULE_WORDS[finding.rule] if finding.rule in get_args(CheckKey) else "",  # type: ignore[index]
        "key": finding.key,
        "told": finding.told.removesuffix("."),
        "places": _counted(finding.count, "place"),
        "anchors": _counted(finding.count, "anchor"),
        "runs": _listed(finding.facts),
        "overlap": "" if finding.value_mm is None else f"lie {length_text(finding.value_mm)} over each other",
        "outline": f"corner {finding.facts[0]}" if finding.facts else "",
        "because": f" ({', '.join(map(_why, finding.facts))})" if finding.facts else "",
        "suspects": f"; look first at {_listed(finding.facts)}" if finding.facts else "",
    }
    numbers = {"marks": len(finding.marks), "count": 2 if finding.count is None else finding.count}

    def fill(place: re.Match[str]) -> str:
        if place[3]:
            return place[4] if numbers[place[3]] <= 1 else place[5]
        return values[place[1]] or place[2]

    return _PLACE.sub(fill, template)


def _play_words(play_mm: float | None) -> str:
    if play_mm is None:
        return ""
    words = play_words(play_mm)
    return f"the {words} that the hole leaves each way" if words[0].isdigit() else f"the hole leaves, which is {words}"


def _shift_words(finding: PlanFinding) -> str:
    """Where another chalk line would run, as the run's sheet says it."""
    if finding.value_mm is None or finding.to_value_mm is None:
        return ""
    return f", {shift_words(finding.value_mm, finding.to_value_mm)},"


def _why(code: str) -> str:
    """A code of the record, or of what was judged of a bolt, in a few words."""
    if code in get_args(PassCode):
        return PASS_WORDS[code].short  # type: ignore[index]
    reason = reason_for(code)
    return reason.title[0].lower() + reason.title[1:] if reason else code


def _counted(count: int | None, noun: str) -> str:
    return "" if count is None else f"{count} {noun}{'' if count == 1 else 's'}"


def _listed(names: Sequence[str]) -> str:
    return " and ".join([", ".join(names[:-1]), names[-1]] if len(names) > 1 else names)
