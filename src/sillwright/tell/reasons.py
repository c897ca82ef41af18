"""Findings as words: a short title, and a sentence the crew can act on.

A finding is data (``survey.Finding``); the sentence is made here, so that a table, a sheet and the documentation say
the same thing.
"""

from __future__ import annotations

import re
from collections.abc import Sequence

from sillwright.lengths import format_inches
from sillwright.survey import Finding
from sillwright.tell.reason import BESIDE, DECIDING, Reason, Subject
from sillwright.tell.reason_table import REASONS

__all__ = ["REASONS", "Reason", "Subject", "explain", "length_text", "reason_for", "title", "worst_first"]

_PLACE = re.compile(
    r"\{(photos|first|rest|cards|length|along|out)\|([^{}]*)\}"
    r"|\{(photos|cards)\?([^{}/]*)/([^{}/]*)\}"
)
_MOST_NAMED = 4
_SMALLEST_IN_INCHES_MM = 25.4 / 32


def reason_for(code: str, subject: Subject | None = None) -> Reason | None:
    """The table's row for a code, of this subject if it has one; None for a code the table does not hold."""
    rows = [reason for reason in REASONS if reason.code == code]
    return next((reason for reason in rows if reason.subject == subject), rows[0] if rows else None)


def title(finding: Finding, subject: Subject | None = None) -> str:
    """The short title of a finding, or its bare code where the table does not hold it."""
    reason = reason_for(finding.code, subject)
    return reason.title if reason else finding.code


def worst_first(findings: Sequence[Finding]) -> list[Finding]:
    """A bolt's findings, those that decide its status first and the worst of them at the head.

    The order is the table's, whatever order they were found in; a code the table does not rank stands between what
    decides and what is only told beside.
    """
    ranks = {code: place for place, code in enumerate((*DECIDING, "", *BESIDE))}
    return sorted(findings, key=lambda finding: (ranks.get(finding.code, ranks[""]), finding.code))


def explain(finding: Finding, subject: Subject | None = None) -> str:
    """A sentence the crew can act on, with the photos, cards and length the finding names."""
    reason = reason_for(finding.code, subject)
    if reason is None:
        return f"{finding.code}: see the manual."
    says = _filled(reason.says, finding)
    return f"{says[0].upper()}{says[1:]}: {_filled(reason.do, finding)}."


def _filled(template: str, finding: Finding) -> str:
    """One pass only, so that a photo named like a placeholder stays as it is."""
    counts = {"photos": len(finding.photos), "cards": len(finding.cards)}
    named = {
        "photos": _named("photo", finding.photos),
        "first": _named("photo", finding.photos[:1]),
        "rest": _named("photo", finding.photos[1:]),
        "cards": _named("card", finding.cards),
        "length": "" if finding.value_mm is None else length_text(finding.value_mm),
        "along": "" if finding.value_mm is None else _along_text(finding.value_mm),
        "out": "" if finding.value_mm is None else f" (out by {length_text(finding.value_mm)})",
    }

    def fill(place: re.Match[str]) -> str:
        if place[3]:
            return place[4] if counts[place[3]] <= 1 else place[5]
        return named[place[1]] or place[2]

    return _PLACE.sub(fill, template)


def _named(noun: str, names: Sequence[object]) -> str:
    """``photo a``, ``photos a and b``, ``photos a, b, c, d and 3 more``; empty for none."""
    if not names:
        return ""
    shown = [str(name) for name in names[:_MOST_NAMED]]
    if len(names) > _MOST_NAMED:
        shown.append(f"{len(names) - _MOST_NAMED} more")
    if len(shown) == 1:
        return f"{noun} {shown[0]}"
    return f"{noun}s {', '.join(shown[:-1])} and {shown[-1]}"


def _along_text(station_mm: float) -> str:
    """A place along the run; before the zero mark it is so far back from it."""
    return f"{length_text(station_mm)} {'back from the zero mark' if station_mm < 0.0 else 'along'}"


def length_text(mm: float) -> str:
    """A length without its sign, as ``1.6 mm or about 1/16"``; below 1/32 inch only in millimetres."""
    size_mm = abs(mm)
    if size_mm < _SMALLEST_IN_INCHES_MM:
        return f"{size_mm:.1f} mm"
    return f"{size_mm:.1f} mm or about {format_inches(size_mm, 32)}"
