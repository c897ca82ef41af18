"""Bolts as they are met on walls and not as they were set: with a nut on, with a washer, or bent."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from scenes import Bar
from sillwright.camera import Array
from sillwright.outline import Bolt

FLATS, HIGH = 1.5, 1.75  # of a hex nut, in bolt radii: half across its flats, and its height (ASME B18.2.2)
WASHER, WASHER_MM = 2.1, 2.5  # a plain washer's radius in bolt radii, and its thickness (ASME B18.22.1, type A narrow)
PIECES = 40  # short against the ribs of a reinforcing bar, so that the joints do not pass for them


def with_nut(bar: Bar, low_mm: float, *, hex_rad: float | None = 0.0, washer: bool = False) -> tuple[Bar, ...]:
    """A bar with a nut whose lower face is ``low_mm`` up, over a washer or not; round where no turn is given."""
    bolt, high_mm = bar.bolt, HIGH * bar.bolt.radius_mm
    wide_mm = (1.62 if hex_rad is None else FLATS) * bolt.radius_mm
    under_mm = max(low_mm - WASHER_MM, 0.0) if washer else low_mm
    steps: list[tuple[float, float, Bar]] = [(0.0, under_mm, replace(bar, chamfer_mm=0.0))]
    if washer:
        steps.append((under_mm, under_mm + WASHER_MM, Bar(bolt)))
        low_mm = under_mm + WASHER_MM
    steps.append((low_mm, low_mm + high_mm, Bar(bolt, 0.3, 0.0, hex_rad)))
    steps.append((low_mm + high_mm, bolt.stickup_mm, bar))
    radii = [bolt.radius_mm, *([WASHER * bolt.radius_mm] if washer else []), wide_mm, bolt.radius_mm]
    return tuple(
        replace(like, bolt=_piece(bolt, start, stop, radius))
        for (start, stop, like), radius in zip(steps, radii, strict=True)
        if stop > start
    )


def _piece(bolt: Bolt, start_mm: float, stop_mm: float, radius_mm: float) -> Bolt:
    axis = (bolt.tip_mm - bolt.base_mm) / bolt.stickup_mm
    return Bolt(bolt.base_mm + start_mm * axis, bolt.base_mm + stop_mm * axis, radius_mm)


def bent(bar: Bar, bow_mm: Array, *, twice: bool = False) -> tuple[Bar, ...]:
    """A bar whose foot and tip stay and whose middle stands ``bow_mm`` (2,) aside; ``twice``: an S, at the quarters."""
    bolt = bar.bolt
    u = np.linspace(0.0, 1.0, PIECES + 1)[:, None]
    shape = np.sin(2.0 * np.pi * u) if twice else 4.0 * u * (1.0 - u)
    at = bolt.base_mm + u * (bolt.tip_mm - bolt.base_mm) + shape * np.append(bow_mm, 0.0)
    last = PIECES - 1
    return tuple(
        replace(bar, bolt=Bolt(at[k], at[k + 1], bolt.radius_mm), chamfer_mm=bar.chamfer_mm if k == last else 0.0)
        for k in range(PIECES)
    )
