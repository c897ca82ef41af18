"""Lengths as people write them, to millimetres and back.

Inside the package every length is a float in millimetres; feet, inches and sixteenths exist only in what people
write and read. One inch is 25.4 mm exactly (NIST Special Publication 811, Appendix B.8).
"""

from __future__ import annotations

import math
import re
import unicodedata
from fractions import Fraction

from sillwright.errors import LengthError

MM_PER_INCH = 25.4
INCHES_PER_FOOT = 12

_EXACT_MM_PER_INCH = Fraction(254, 10)
_METRIC_MM = {"mm": Fraction(1), "cm": Fraction(10), "m": Fraction(1000)}
_LONGEST_TEXT = 60  # nobody writes a longer length; keeps a hostile job file cheap to refuse

# Marks that phones and word processors put in place of plain ones.
_PLAIN_MARKS = str.maketrans(
    {
        "\u2032": "'",
        "\u2019": "'",
        "\u2018": "'",
        "\u2033": '"',
        "\u201d": '"',
        "\u201c": '"',
        "\u2212": "-",
        "\u2010": "-",
        "\u2011": "-",
        "\u2013": "-",
        "\u2044": "/",
    }
)

_NUMBER = r"(?:\d+(?:\s+|\s*-\s*)\d+\s*/\s*\d+|\d+\s*/\s*\d+|\d+\.\d+|\.\d+|\d+)"
_FEET_UNIT = r"(?:'(?!')|ft\.?|feet|foot)"
_INCH_UNIT = r"(?:\"|''|inches|inch|in\.?)"
_METRIC_UNIT = r"(?P<unit>mm|cm|m)"
_IMPERIAL = re.compile(
    rf"(?:(?P<feet>{_NUMBER})\s*{_FEET_UNIT})?"
    rf"(?:(?P<gap>\s*-\s*|\s*)(?P<inches>{_NUMBER})\s*{_INCH_UNIT})?",
    re.ASCII | re.IGNORECASE,
)
_METRIC = re.compile(rf"(?P<number>{_NUMBER})\s*{_METRIC_UNIT}", re.ASCII | re.IGNORECASE)
_BARE = re.compile(_NUMBER, re.ASCII)
_FEET_THEN_BARE = re.compile(rf"{_NUMBER}\s*{_FEET_UNIT}[\s-]*{_NUMBER}", re.ASCII | re.IGNORECASE)

_HOW = "Write it like 5 1/2 in, 22 ft 3 1/4 in, 140 mm or 2.4 m."


def parse_length_mm(text: str, *, allow_negative: bool = False) -> float:
    """A length as a person writes it, in millimetres.

    Takes ``5 1/2 in``, ``5-1/2"``, ``5½ in``, ``3.5 in``, ``22 ft 3 1/4 in``, ``22' 3-1/4"``, ``140 mm``, ``14 cm``
    and ``2.4 m``. The result is the exact fraction rounded once to the nearest float.

    Raises LengthError where the unit is missing, the text is not a length, or it is negative and that is not allowed.
    """
    plain = _plain(text)
    sign, body = _signed(plain, text, allow_negative)
    metric = _METRIC.fullmatch(body)
    if metric:
        millimetres = _number(metric["number"], text) * _METRIC_MM[metric["unit"].lower()]
    else:
        imperial = _IMPERIAL.fullmatch(body)
        if not body or not imperial:
            raise LengthError(_what_is_wrong(body, text, sign))
        millimetres = _imperial_inches(imperial, text) * _EXACT_MM_PER_INCH
    return sign * float(millimetres)


def _plain(text: str) -> str:
    if len(text) > _LONGEST_TEXT:
        raise LengthError(f"{text[:_LONGEST_TEXT]!r}... is too long to be a length. {_HOW}")
    spelled = []
    for character in text.translate(_PLAIN_MARKS):
        kind = unicodedata.decomposition(character)
        if kind.startswith("<fraction>"):  # U+00BD is 1, fraction slash, 2
            part = unicodedata.normalize("NFKC", character).replace("\u2044", "/")
            spelled.append(f" {part}")
        else:
            spelled.append(" " if character.isspace() else character)
    return "".join(spelled).strip()


def _signed(plain: str, text: str, allow_negative: bool) -> tuple[int, str]:
    if not plain.startswith("-"):
        return 1, plain
    if not allow_negative:
        raise LengthError(
            f"{text!r} is negative, and this is no place for it. Check it, and write it without the minus."
        )
    return -1, plain[1:].lstrip()


def _imperial_inches(match: re.Match[str], text: str) -> Fraction:
    feet = _number(match["feet"], text) if match["feet"] else None
    inches = _number(match["inches"], text) if match["inches"] else None
    if feet is None:
        if "-" in match["gap"]:
            raise LengthError(f"{text!r} is not a length. {_HOW}")
        return inches or Fraction(0)
    if inches is None:
        return feet * INCHES_PER_FOOT
    if feet.denominator != 1:
        raise LengthError(f"{text!r} has a part of a foot and inches as well. Write whole feet, then inches.")
    if inches >= INCHES_PER_FOOT:
        raise LengthError(f"{text!r} has 12 inches or more after the feet. Read the tape again.")
    return feet * INCHES_PER_FOOT + inches


def _number(written: str, text: str) -> Fraction:
    """``5``, ``3.5``, ``1/2``, ``5 1/2`` or ``5-1/2`` as an exact fraction."""
    top, slash, bottom = written.partition("/")
    if not slash:
        return Fraction(written if written[0] != "." else f"0{written}")
    parts = re.split(r"[\s-]+", top.strip())
    if int(bottom) == 0:
        raise LengthError(f"{text!r} has a fraction over zero. {_HOW}")
    part = Fraction(int(parts[-1]), int(bottom))
    if len(parts) == 1:
        return part
    if part >= 1:
        raise LengthError(f"{text!r} has a fraction of one or more after a whole number. Read the tape again.")
    return int(parts[0]) + part


def _what_is_wrong(body: str, text: str, sign: int) -> str:
    if _BARE.fullmatch(body):
        signed = f"-{body}" if sign < 0 else body
        return f"{text!r} has no unit. Add the unit: {signed} in, {signed} mm or whatever it was measured in."
    if _FEET_THEN_BARE.fullmatch(body):
        return f'{text!r} has no unit after the feet. Add in or ", like 22 ft 3 1/4 in.'
    if re.search(r"\d,\d", body):
        return f"{text!r} has a comma in a number. Write a decimal point, and no commas between thousands."
    return f"{text!r} is not a length. {_HOW}"


def to_sixteenths(mm: float) -> int:
    """``mm`` to the nearest whole sixteenth of an inch; halves go away from zero."""
    return _to_parts(mm, 16)


def _to_parts(mm: float, denominator: int) -> int:
    if not math.isfinite(mm):
        raise LengthError("there is no number here to write in inches.")
    parts = abs(mm) / MM_PER_INCH * denominator
    # A half is seldom exact in binary (1/32 in is 0.79375 mm): 1e-9 of a part is far below any meaning.
    rounded = math.floor(parts + 0.5 + 1e-9)
    return -rounded if mm < 0 else rounded


def format_feet_inches(mm: float, denominator: int = 16) -> str:
    """Millimetres as feet and inches, like ``12' 7 13/16"``, to the nearest ``1/denominator`` inch.

    Below a foot only inches stand (``2 3/4"``); zero is ``0"``, never negative. With feet the inches are always
    written, so a bare fraction cannot be read as part of the feet (``12' 0 1/2"``). Raises LengthError for NaN.
    """
    parts = _to_parts(mm, denominator)
    feet, rest = divmod(abs(parts), INCHES_PER_FOOT * denominator)
    if not feet:
        return _sign(parts) + _inches(rest, denominator, bare_fraction=True)
    return f"{_sign(parts)}{feet}' {_inches(rest, denominator, bare_fraction=False)}"


def format_inches(mm: float, denominator: int = 16) -> str:
    """Millimetres as inches only, like ``27 3/4"``, to the nearest ``1/denominator`` inch.

    Zero is ``0"``, never negative. Raises LengthError for NaN.
    """
    parts = _to_parts(mm, denominator)
    return _sign(parts) + _inches(abs(parts), denominator, bare_fraction=True)


def _sign(parts: int) -> str:
    return "-" if parts < 0 else ""


def _inches(parts: int, denominator: int, *, bare_fraction: bool) -> str:
    whole, rest = divmod(parts, denominator)
    if not rest:
        return f'{whole}"'
    fraction = Fraction(rest, denominator)
    written = f'{fraction.numerator}/{fraction.denominator}"'
    return written if bare_fraction and not whole else f"{whole} {written}"
