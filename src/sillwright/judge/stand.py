"""Where to stand for the photo that would settle a bolt: to the side from which it was not seen yet.

Two photos give a bolt's tip the better the farther apart they are taken. With the phone some 1.3 m over the wall,
450 mm to either side of a bolt makes an angle of near 40 degrees at it, and keeps it well inside the picture.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from sillwright.survey import BoltRecord, Finding, RunRecord, Survey

ASIDE_MM = 450.0
SETTLED_BY_A_PHOTO = frozenset(
    {"one-view", "stated-stickup", "weak-evidence", "views-disagree", "base-hidden", "wide-interval"}
)
NEEDS_A_TAPE = frozenset({"scale-wrong", "scale-unverified", "scale-conflict"})  # no photo narrows such a bolt's ±


@dataclass(frozen=True)
class Stand:
    """One more photo of one bolt: hold the phone over ``phone_at_mm`` along the run; reasons are the bolt's own.

    aside_mm : how far that is from the bolt along the run, positive toward higher stations
    """

    run: str
    mark: str
    bolt_at_mm: float
    phone_at_mm: float
    reasons: tuple[Finding, ...]

    @property
    def aside_mm(self) -> float:
        """From the bolt to where the phone is held, along the run."""
        return self.phone_at_mm - self.bolt_at_mm


def where_to_stand(survey: Survey) -> tuple[Stand, ...]:
    """One stand for each bolt that another photo would settle, in the order of the record."""
    stands = []
    for run in survey.runs:
        for bolt in run.bolts:
            codes = {reason.code for reason in bolt.reasons}
            settled = SETTLED_BY_A_PHOTO - ({"wide-interval"} if codes & NEEDS_A_TAPE else frozenset())
            reasons = tuple(reason for reason in bolt.reasons if reason.code in settled)
            if reasons and bolt.station_mm is not None:
                stands.append(_stand(survey, run, bolt, bolt.station_mm, reasons))
    return tuple(stands)


def _stand(survey: Survey, run: RunRecord, bolt: BoltRecord, at_mm: float, reasons: Sequence[Finding]) -> Stand:
    """Of the two sides, the one farther from every photo the bolt was measured in."""
    seen_from = [
        float((-np.array(view.rotation).T @ np.array(view.translation_mm))[0])
        for photo in survey.photos
        if photo.file in bolt.photos
        for view in photo.views
        if view.run == run.name
    ]
    sides = (at_mm - ASIDE_MM, at_mm + ASIDE_MM)
    best = max(sides, key=lambda side: min((abs(side - centre) for centre in seen_from), default=0.0))
    return Stand(run.name, bolt.mark, at_mm, best, tuple(reasons))
