"""What must agree between the tables of job.toml that are for cutting and drilling, and the files they name."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from pathlib import Path, PurePosixPath, PureWindowsPath

from sillwright.crew_file import nearest
from sillwright.job_file import JobTable, RunTable
from sillwright.lengths import MM_PER_INCH, format_feet_inches

# Tables that ``plates`` itself writes beside a copy of the job file, that copy, and that of the corrections.
_TAKEN = ("holes.csv", "pieces.csv", "job.toml", "corrections.toml")
_SHIM_STEP_MM = MM_PER_INCH / 16.0
_GROUT_MM = MM_PER_INCH


def layout_faults(table: JobTable) -> Iterator[str]:
    """A sentence for each thing the plates' tables say against each other."""
    names = [run.name for run in table.run]
    for run in table.run:
        yield from _end_faults(run, table, names)
    for corner in table.corner:
        where = f"corner {' and '.join(corner.runs)}, through"
        if corner.through is not None and corner.through not in corner.runs:
            yield f'{where}: run "{corner.through}" does not meet there. Name one of its two runs.'
        elif corner.through is not None and corner.joint == "mitre":
            yield f'{where}: no plate runs through where both are mitred. Write joint = "butt", or take through out.'
    yield from _outline_faults(table, names)
    layout = table.layout
    if layout.level_within_mm < _SHIM_STEP_MM / 2.0 - 1e-6:
        yield "[layout], level_within: shims in steps of 1/16 in come within 1/32 in, no nearer. Write that or more."
    if not 0.0 < layout.shim_at_most_mm < _GROUT_MM:
        yield "[layout], shim_at_most must be more than 0 and less than 1 in, where grout begins. Write 1/4 in or so."


def _end_faults(run: RunTable, table: JobTable, names: list[str]) -> Iterator[str]:
    met = []
    for key, end in (("begins", run.begins), ("ends", run.ends)):
        where = f'run "{run.name}", [run.{key}], corner'
        if end is None or end.corner is None:
            continue
        met.append(end.corner)
        if end.corner not in names:
            yield f'{where}: there is no run "{end.corner}".{nearest(end.corner, names)}'
        elif end.corner == run.name:
            yield f"{where} names the run itself. Name the run it meets."
        elif not any(set(corner.runs) == {run.name, end.corner} for corner in table.corner):
            yield (
                f'{where}: no [[corner]] joins "{run.name}" and "{end.corner}", so its angle is not known. Add one '
                "with photos of it and measure again, or give the station where the plate ends."
            )
    if len(met) == 2 and met[0] == met[1]:
        yield f'run "{run.name}", [run.begins] and [run.ends] both name "{met[0]}". A run meets another at one end.'
    low_mm, high_mm = (
        None if end is None else end.station_mm if end.station_mm is not None else end.wall_end_mm
        for end in (run.begins, run.ends)
    )
    if low_mm is not None and high_mm is not None and not low_mm < high_mm:
        yield (
            f'run "{run.name}": [run.begins] is at {format_feet_inches(low_mm)} and [run.ends] at '
            f"{format_feet_inches(high_mm)}, which leaves no plate. A run begins at its lower station."
        )


def _outline_faults(table: JobTable, names: list[str]) -> Iterator[str]:
    walls = table.outline.wall
    for count, wall in enumerate(walls, start=1):
        if wall.run not in names:
            yield f'[[outline.wall]] {count}, run: there is no run "{wall.run}".{nearest(wall.run, names)}'
    if (walls or table.outline.diagonal) and len(walls) < 3:
        yield f"[outline] has {len(walls)} walls. An outline has three or more, in order round the building."
        return
    for count, one in enumerate(table.outline.diagonal, start=1):
        for key, corner in (("from_corner", one.from_corner), ("to_corner", one.to_corner)):
            if not 1 <= corner <= len(walls):
                yield (
                    f"[[outline.diagonal]] {count}, {key}: there is no corner {corner}. Corner n is where wall n "
                    f"begins, 1 to {len(walls)}."
                )
        if one.from_corner == one.to_corner:
            yield f"[[outline.diagonal]] {count} goes from corner {one.from_corner} to itself. Name two corners."


def files_beside(table: JobTable) -> tuple[str, ...]:
    """The files a job needs beside its job file for the plates: level readings, and a rule set of the crew's own."""
    named = [run.levels.file for run in table.run if run.levels is not None]
    if is_file_of_rules(table.layout.rules):
        named.append(table.layout.rules)
    return tuple(dict.fromkeys(named))


def is_file_of_rules(rules: str) -> bool:
    """Whether ``[layout] rules`` names a file of the crew's own, and not one of the sets this package has."""
    return rules.casefold().endswith(".toml")


def beside_faults(table: JobTable, folder: Path) -> Iterable[str]:
    """A sentence for each such file that is not there, or could not be kept in the folder of the results."""
    named = [
        (f'run "{run.name}", [run.levels], file', run.levels.file, ".csv")
        for run in table.run
        if run.levels is not None
    ]
    if is_file_of_rules(table.layout.rules):
        named.append(("[layout], rules", table.layout.rules, ".toml"))
    for where, name, ending in named:
        wrong = _unsafe(name, ending)
        if wrong or not (folder / name).is_file():
            yield f"{where}: {name!r} {wrong or 'is not there. Put it beside the job file.'}"


def _unsafe(name: str, ending: str) -> str:
    """What is wrong with a name, as the end of a sentence; empty where nothing is."""
    if not name.strip() or not name.isprintable() or "\\" in name:
        return f"is no file name. Write one like levels{ending}, and folders with /."
    path = PurePosixPath(name)
    if path.is_absolute() or PureWindowsPath(name).drive or ".." in path.parts:
        return "does not lie in the job file's folder. Copy it there, so that it goes along with the results."
    if not name.casefold().endswith(ending):
        return f"does not end in {ending}. Name a {ending[1:].upper()} file."
    if path.name.casefold() in _TAKEN and len(path.parts) == 1:
        return "has a name that a result will have. Give it another one."
    return ""
