"""The anchor bolts this package knows: threads, nuts and washers.

Sources. Unified threads, class 2A, uncoated: ASME B1.1 (major max = D - es, min = max - Td; the test computes both).
Hex nuts: ASME B18.2.2, finished, largest. Wide plain washers: ASME B18.21.1 Type A. Metric threads 6g: ISO 965;
nuts: ISO 4032; washers: ISO 7089. Hot-dip zinc adds a few hundredths of a millimetre to the thread (common practice,
no source).
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from sillwright.errors import JobError, LengthError
from sillwright.lengths import MM_PER_INCH, parse_length_mm

SIZE_TOLERANCE_MM = 0.5  # sizes of one family stand at least 3 mm apart; nobody states a nominal size worse


@dataclass(frozen=True)
class BoltSize:
    """One size of anchor bolt with its nut and washer, in millimetres.

    ``diameter_mm`` is the nominal thread diameter. ``thread_major_max_mm`` and ``thread_major_min_mm`` bound the
    outside of a real, uncoated thread. Nut and washer are the largest of the standard.
    """

    name: str
    diameter_mm: float
    pitch_mm: float
    thread_major_max_mm: float
    thread_major_min_mm: float
    nut_across_flats_mm: float
    nut_thickness_mm: float
    washer_outside_mm: float
    washer_thickness_mm: float

    @property
    def nut_across_corners_mm(self) -> float:
        """Across the corners of a sharp hexagon, which is the largest the standard allows."""
        return self.nut_across_flats_mm * 2.0 / math.sqrt(3.0)


def _unified(name: str, threads_per_inch: int, *inches: float) -> BoltSize:
    diameter, *rest = (inch * MM_PER_INCH for inch in inches)
    return BoltSize(name, diameter, MM_PER_INCH / threads_per_inch, *rest)


BOLT_SIZES: tuple[BoltSize, ...] = (
    # name, threads/in, then in: nominal, major max, major min, nut flats, nut thickness, washer outside, thickness
    _unified("1/2-13 UNC", 13, 0.500, 0.4985, 0.4876, 0.750, 0.448, 1.375, 0.109),
    _unified("5/8-11 UNC", 11, 0.625, 0.6234, 0.6113, 0.938, 0.559, 1.750, 0.134),
    _unified("3/4-10 UNC", 10, 0.750, 0.7482, 0.7353, 1.125, 0.665, 2.000, 0.148),
    BoltSize("M12x1.75", 12.0, 1.75, 11.966, 11.701, 18.00, 10.8, 24.0, 2.5),
    BoltSize("M16x2", 16.0, 2.00, 15.962, 15.682, 24.00, 14.8, 30.0, 3.0),
)
_CHOICES = "1/2 in, 5/8 in, 3/4 in, 12 mm (M12) and 16 mm (M16)"


def bolt_size(size: str | float) -> BoltSize:
    """The known size nearest to a nominal diameter, given in mm or as text (``1/2 in``, ``12 mm``, ``M12``).

    Raises JobError, listing the sizes, where none is within ``SIZE_TOLERANCE_MM`` or the text is not a length.
    """
    if isinstance(size, str):
        diameter_mm = _diameter_mm(size)
        written = size.strip()
    else:
        diameter_mm, written = float(size), f"{size:g} mm"
    nearest = min(BOLT_SIZES, key=lambda known: abs(known.diameter_mm - diameter_mm))
    if not abs(nearest.diameter_mm - diameter_mm) <= SIZE_TOLERANCE_MM:
        raise JobError(f"a bolt of {written} is not a size this package knows. It knows {_CHOICES}.")
    return nearest


def _diameter_mm(text: str) -> float:
    plain = text.strip().casefold()
    for known in BOLT_SIZES:
        name = known.name.casefold()
        if plain == name or (name.startswith("m") and plain == name.partition("x")[0]):
            return known.diameter_mm
    try:
        return parse_length_mm(text)
    except LengthError as fault:
        raise JobError(f"bolt diameter: {fault} Known sizes are {_CHOICES}.") from fault
