"""Whether the bolts of a run are of another listed size than the job says.

A bolt is known by its width, so under a wrong size it is lost, and to shoot it again would not help.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from sillwright.fasteners import BOLT_SIZES, BoltSize
from sillwright.job import Job
from sillwright.measure.runs import SearchedRun, search_run
from sillwright.measure.scale import pool
from sillwright.measure.work import Crew
from sillwright.survey import Finding

SAME_LOOK_MM = 0.3  # no photo tells 5/8 in and 16 mm apart: the first listed is named
ONE_FINDS_BOTH = 0.08  # 12 mm and 1/2 in, 5/8 in and 16 mm: bolts of the one are found under the other


def shows_no_bolt(found: SearchedRun) -> bool:
    """Whether not one bolt of the stated size is beyond doubt: only then is it worth the time to try the others.

    Nor is it where there is one photo: a shape of almost any width can be laid over what one photo shows. And photos
    too coarse for bolts are so for those of other sizes too.
    """
    return len(found.laid.block.photos) - len(found.coarse) > 1 and all(one.doubts for one in found.judged)


def other_size(job: Job, stated: SearchedRun, within_mm: tuple[float, float], crew: Crew) -> Finding | None:
    """The other listed size of which a run plainly shows bolts, as a finding; None where it shows none of any.

    ``stated`` is the run as searched for bolts of the stated size.
    Under each size bolts of the next may be found as well: which it is shows in how large they come out.
    """
    clear: list[tuple[int, float, float]] = []
    for size in _other_sizes(job.bolt):
        found = search_run(replace(job, bolt=size), stated.laid, within_mm, crew, stated.edges)
        count = sum(not one.doubts and len(one.found.views) > 1 for one in found.judged)
        seen = pool(found.sizes)
        far, ratio = (abs(np.log(seen.ratio)), seen.ratio) if seen is not None else (np.inf, 1.0)
        clear.append((-count, far, size.diameter_mm * ratio))
    fewest, _, looks_mm = min(clear)
    off_mm = [abs(size.diameter_mm - looks_mm) for size in BOLT_SIZES]
    looks = next(size for size, off in zip(BOLT_SIZES, off_mm, strict=True) if off <= min(off_mm) + SAME_LOOK_MM)
    return Finding("bolt-size", value_mm=looks.diameter_mm) if fewest else None


def _other_sizes(stated: BoltSize) -> list[BoltSize]:
    """Listed sizes one of which finds the bolts of any that the stated size does not."""
    tried = [stated]
    for size in BOLT_SIZES:
        if all(abs(size.diameter_mm / one.diameter_mm - 1.0) > ONE_FINDS_BOTH for one in tried):
            tried.append(size)
    return tried[1:]
