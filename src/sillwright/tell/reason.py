"""What a row of the reason table is, and which reasons of a bolt decide its status."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

Subject = Literal["photo", "run", "card", "bolt", "corner"]


@dataclass(frozen=True)
class Reason:
    """One code. ``says`` and ``do`` are templates: ``{cards|the card}`` is what the finding names, or the fallback;
    ``{cards?is/are}`` is the first word for up to one card, else the second.

    ``value`` is what the finding's ``value_mm`` means under this code; empty where it means nothing.
    """

    subject: Subject
    code: str
    title: str
    says: str
    do: str
    value: str = ""


# What can be said of a bolt, the worst first: that a person placed it, whether it is a bolt at all, where it stands,
# how sure the number is.
DECIDING = (
    "corrected-by-hand",
    "off-wall",
    "weak-evidence",
    "views-disagree",
    "scale-wrong",
    "scale-conflict",
    "scale-unverified",
    "base-hidden",
    "bent",
    "diameter-off",
    "wide-interval",
    "near-edge-of-photo",
)
BESIDE = ("one-view", "stated-stickup", "has-nut")  # these alone leave a bolt ok
