"""Whether the files in a folder of results belong together: the report to the measurement, the plan to the record.

Told by the lists that ``measure`` and ``plates`` leave (:mod:`sillwright.sums`), and of a plan also by what it says
itself. A file that neither list has is sealed only where the job names it, or where an older sillwright, which left no
lists, could have written it: what cannot be told of those is given back, to be said.
"""

from __future__ import annotations

from collections.abc import Collection, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Literal

from sillwright.decisions import DECISIONS_FILE, read_decisions
from sillwright.errors import ArchiveError
from sillwright.plates.record import Photos, PlatesPlan
from sillwright.plates.record_file import read_plan
from sillwright.sums import MEASURED, PLANNED, read_sums, sha256_of
from sillwright.survey import Survey

NotTold = Literal["profile", "libraries", "report", "plates"]
_SAME_MM = 1e-6  # plates.json has every digit of a number, survey.json nine decimals
_MOST_NAMED = 5  # files that are in the way
# What a measurement and a plan may leave, by name; what ends in a slash is a folder. It is asked only without a list.
MEASURE_LEAVES = ("survey.json", "report.html", "report.pdf", "pictures/")
PLATES_LEAVE = ("plates.json", "plates.html", "plates.pdf", "plates.dxf", "holes.csv", "pieces.csv", "strips/")
# What people write, and what is kept of it: no list can have it.
_WRITTEN_ON = (MEASURED, PLANNED, DECISIONS_FILE, "job-before.toml", "corrections-before.toml")


@dataclass(frozen=True)
class Belonging:
    """sums : the SHA-256 that the lists give, by path in the folder; not_told : what cannot be told for want of one."""

    sums: dict[str, str]
    not_told: tuple[NotTold, ...]


def check_belonging(out: Path, survey: Survey, results: Mapping[str, Path], inputs: Collection[str]) -> Belonging:
    """Hold the results against their lists.

    results : every file of the folder that is to be sealed, by its path in it
    inputs : those of them that the job was measured and planned from
    Raises ArchiveError with a sentence for each that does not belong; JobError where a plan, a list or the foreman's
    words are none.
    """
    if DECISIONS_FILE in results:
        read_decisions(out)
    plan = read_plan(out / "plates.json") if "plates.json" in results else None
    sums: dict[str, str] = {}
    faults = [] if plan is None else list(_plan_faults(out / "plates.json", plan, survey))
    not_told: list[NotTold] = []
    strangers = [file for file in results if file not in inputs and file not in _WRITTEN_ON]
    for name, libraries in ((MEASURED, survey.libraries), (PLANNED, None if plan is None else plan.libraries)):
        if name in results:
            listed = read_sums(out / name)
            faults += _list_faults(out, name, listed, results)
            sums |= listed
            strangers = [file for file in strangers if file not in listed]
        elif libraries is not None:
            leaves = MEASURE_LEAVES if name == MEASURED else PLATES_LEAVE
            strangers = [file for file in strangers if not _is_one_of(file, leaves)]
            if libraries:  # older records do not have them, and a list came with them
                faults.append(f"{out} has no {name}, which {Path(name).stem} leaves at its end. {_again(out, name)}")
            else:
                not_told.append("report" if name == MEASURED else "plates")
    if PLANNED in results and plan is None:
        faults.append(f"{out / PLANNED} lists plates, and there is no plates.json. {_again(out, PLANNED)}")
    if strangers:
        faults.append(_stranger_fault(out, strangers, plan is not None))
    if faults:
        raise ArchiveError("\n".join(dict.fromkeys(faults)))
    return Belonging(sums, tuple(not_told))


def _is_one_of(file: str, names: Iterable[str]) -> bool:
    return any(file == name or (name.endswith("/") and file.startswith(name)) for name in names)


def _stranger_fault(out: Path, strangers: Sequence[str], has_plan: bool) -> str:
    """One sentence for all, however many: a folder of photos may be among them."""
    some = ", ".join(str(out / file) for file in strangers[:_MOST_NAMED])
    more = f" and {len(strangers) - _MOST_NAMED} more" if len(strangers) > _MOST_NAMED else ""
    of_a_plan = not has_plan and any(_is_one_of(file, PLATES_LEAVE) for file in strangers)
    why = " There is no plates.json, so no plan here wrote plates." if of_a_plan else ""
    return (
        f"{some}{more}: neither measure nor plates wrote this here last, and the job does not name it.{why} Take it "
        "away or put it elsewhere, then archive."
    )


def _again(out: Path, name: str) -> str:
    return "Run sillwright measure again." if name == MEASURED else f"Run sillwright plates {out} again."


def _list_faults(out: Path, name: str, listed: Mapping[str, str], results: Mapping[str, Path]) -> Iterator[str]:
    command = Path(name).stem
    again = _again(out, name)
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
