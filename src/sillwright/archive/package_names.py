"""Names of files that a package can hold, whatever disk it is copied to."""

from __future__ import annotations

import unicodedata
from collections.abc import Iterable
from pathlib import PurePosixPath

from sillwright.archive.package import RESULTS

_RENAME = "Rename it, and measure again with the new name."
_RENAME_RESULT = "Rename it, or take it away."


def name_faults(places: Iterable[str]) -> list[str]:
    """A sentence for each name that no package can hold, and for each that is another in two spellings of letters."""
    faults: list[str] = []
    twins: dict[str, str] = {}
    for place in places:
        faults += [sentence] if (sentence := _name_fault(place)) else []
        other = twins.setdefault(unicodedata.normalize("NFC", place), place)
        if other != place:
            faults.append(f"{place!r} and {other!r} are one name in two spellings of its letters. {_RENAME}")
    return faults


def same_but_for_case(places: Iterable[str]) -> tuple[tuple[str, str], ...]:
    """Pairs of names that a disk which does not tell large letters from small ones takes for one."""
    first: dict[str, str] = {}
    return tuple(
        (other, place)
        for place in places
        if (other := first.setdefault(unicodedata.normalize("NFC", place).casefold(), place)) != place
    )


def _name_fault(place: str) -> str:
    """What is wrong with a name, as a sentence; empty where nothing is.

    RFC 8493, 2.1.3, writes a percent sign otherwise than sha256sum reads it; a line break ends a manifest's line.
    """
    what = ""
    if any(unicodedata.category(letter) in ("Cc", "Cs", "Zl", "Zp") for letter in place):
        what = "has a letter that cannot be printed"
    elif "%" in place or "\\" in place:
        what = "has a percent sign or a backslash, which lists of checksums cannot hold"
    elif place != place.rstrip():
        what = "ends with a space, which lists of checksums cannot hold"
    to_do = _RENAME_RESULT if place.startswith(f"{RESULTS}/") else _RENAME
    return f"{PurePosixPath(place).name!r} {what}. {to_do}" if what else ""
