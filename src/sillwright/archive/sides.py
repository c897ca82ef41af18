"""What one side of a comparison can be: a folder of results, a survey.json, a package, or a design as CSV."""

from __future__ import annotations

import os
from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path

from sillwright.archive.design import DESIGN_RUN, read_design
from sillwright.archive.opened import open_package
from sillwright.archive.package import RESULTS
from sillwright.errors import ArchiveError, JobError
from sillwright.survey import RunRecord
from sillwright.survey_file import read_survey


@dataclass(frozen=True)
class Side:
    """The runs of one side; ``is_design`` where nobody measured them."""

    runs: tuple[RunRecord, ...]
    is_design: bool


def read_side(path: Path) -> Side:
    """Read one side.

    Raises JobError or ArchiveError where it is none, DamageError where a package is made to do harm to who reads it, or
    its record is not as it was sealed.
    """
    if path.suffix.lower() == ".csv":
        return Side(read_design(path), is_design=True)
    if path.is_file():
        return Side(read_survey(path).runs, is_design=False)
    if os.path.lexists(path / "bagit.txt"):
        record = open_package(path.absolute()).whole(f"data/{RESULTS}/survey.json")
        return Side(read_survey(record).runs, is_design=False)
    if (path / "survey.json").is_file():
        return Side(read_survey(path / "survey.json").runs, is_design=False)
    raise ArchiveError(
        f"{path} holds no survey. Name a folder that measure wrote, a package in a store, a survey.json, or a design "
        "as a CSV file."
    )


def beside(design: Sequence[RunRecord], survey: Sequence[RunRecord]) -> tuple[RunRecord, ...]:
    """A design as it is held against a survey: its setbacks from the edge of the plate that the survey's line marks.

    Without a column ``run`` it is under the name of the one run it can be of. Raises JobError where the survey has
    several.
    """
    runs = tuple(design)
    if [run.name for run in design] == [DESIGN_RUN] and DESIGN_RUN not in [run.name for run in survey]:
        if len(survey) != 1:
            names = ", ".join(run.name for run in survey)
            raise JobError(f"the design does not say which run its bolts are of. Give it a column run: {names}.")
        runs = (replace(design[0], name=survey[0].name),)
    built = {run.name: run for run in survey}
    return tuple(
        replace(run, line_marks=built[run.name].line_marks, plate_width_mm=built[run.name].plate_width_mm)
        if run.name in built
        else run
        for run in runs
    )
