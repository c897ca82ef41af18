"""Whether the files in a folder of results belong together: the report to the measurement, the plan to the record.

Told by the lists that ``measure`` and ``plates`` leave (:mod:`sillwright.sums`), and of a plan also by what it says
itself. Where an older sillwright left no list, what cannot be told is given back, to be said.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Literal

from sillwright.errors import ArchiveError
from sillwright.plates.record import Photos, PlatesPlan
from sillwright.plates.record_file import read_plan
from sillwright.sums import MEASURED, PLANNED, read_sums, sha256_of
from sillwright.survey import Survey

NotTold = Literal["profile", "libraries", "report", "plates"]
_SAME_MM = 1e-6  # plates.json has every digit of a number, survey.json nine decimals
_FOLDERS = {MEASURED: "pictures/", PLANNED: "strips/"}  # where nothing but what the list has may lie


@dataclass(frozen=True)
class Belonging:
    """sums : the SHA-256 that the lists give, by path in the folder; not_told : what cannot be told for want of one."""

    sums: dict[str, str]
    not_told: tuple[NotTold, ...]


def check_belonging(out: Path, survey: Survey, results: Mapping[str, Path]) -> Belonging:
    """Hold the results against their lists.

    results : every file of the folder that is to be sealed, by its path in it
    Raises ArchiveError with a sentence for each that does not belong; JobError where a plan or a list is none.
    """
    sums: dict[str, str] = {}
    faults: list[str] = []
    not_told: list[NotTold] = []
    if "plates.json" in results:
        faults += _plan_faults(out / "plates.json", read_plan(out / "plates.json"), survey)
    for name, what in ((MEASURED, "report"), (PLANNED, "plates")):
        if name in results:
            listed = read_sums(out / name)
            faults += _list_faults(out, name, listed, results)
            sums |= listed
        elif what == "report" or "plates.json" in results:
            not_told.append("report" if what == "report" else "plates")
    if faults:
        raise ArchiveError("\n".join(dict.fromkeys(faults)))
    return Belonging(sums, tuple(not_told))


def _list_faults(out: Path, name: str, listed: Mapping[str, str], results: Mapping[str, Path]) -> Iterator[str]:
    command = Path(name).stem
    again = "Run sillwright measure again." if name == MEASURED else f"Run sillwright plates {out} again."
    for file, digest in listed.items():
        try:
            same = sha256_of(out / file) == digest if file in results else None
        except OSError as fault:
            raise ArchiveError(f"{out / file} cannot be read ({fault.strerror}). Mend that, then archive.") from fault
        if same is None:
            yield f"{out / file}, which {name} lists, is not there. Put it back. Or: {again}"
        elif not same and name == PLANNED and file in ("survey.json", "job.toml"):
            yield f"the plates in {out} were planned from another {file} than lies there. {again}"
        elif not same:
            yield f"{out / file} is not as it was when {command} was run ({name} tells). Put it back. Or: {again}"
    for file in results:
        if file.startswith(_FOLDERS[name]) and file not in listed:
            yield f"{out / file} is not of what {command} wrote last ({name} tells). Take it away, then archive."


def _plan_faults(path: Path, plan: PlatesPlan, survey: Survey) -> Iterator[str]:
    """A sentence where a plan says that it is of another job, of other photos, or of bolts that stand elsewhere."""
    again = f"Run sillwright plates {path.parent} again."
    if plan.job != survey.name:
        yield f"{path} is a plan of {plan.job!r}, and survey.json a record of {survey.name!r}. {again}"
    elif plan.photos.fingerprint_sha256 != Photos.of(survey).fingerprint_sha256:
        yield f"{path} was planned from other photos than survey.json was measured from. {again}"
    else:
        planned = {(run.name, bolt.mark): bolt for run in plan.runs for bolt in run.bolts}
        measured = {(run.name, bolt.mark): bolt for run in survey.runs for bolt in run.bolts}
        for run, mark in dict.fromkeys([*measured, *planned]):
            one, other = planned.get((run, mark)), measured.get((run, mark))
            if one is None or other is None:
                yield f'{path}: bolt {mark} of run "{run}" is not in both the plan and survey.json. {again}'
            elif not (
                one.status == other.status
                and _same(one.station_mm, other.station_mm)
                and _same(one.setback_mm, other.setback_mm)
                and _same(one.diameter_mm, other.diameter_mm)
            ):
                yield f'{path}: bolt {mark} of run "{run}" stands otherwise in survey.json. {again}'


def _same(one_mm: float | None, other_mm: float | None) -> bool:
    if one_mm is None or other_mm is None:
        return one_mm is other_mm
    return abs(one_mm - other_mm) <= _SAME_MM
