"""``sillwright compare``: a run before and after, or as built against its design."""

from __future__ import annotations

from pathlib import Path
from typing import Literal

import click

from sillwright.cli.output import check_file, writing


@click.command()
@click.argument("first", type=click.Path(path_type=Path, exists=True), metavar="A")
@click.argument("second", type=click.Path(path_type=Path, exists=True), metavar="B")
@click.option(
    "-o",
    "--output",
    type=click.Path(path_type=Path),
    metavar="FILE",
    help="A picture of every bolt in both, as SVG, for any browser.",
)
@click.option(
    "--as", "form", type=click.Choice(["table", "csv", "json"]), default="table", show_default=True, help="The form."
)
@click.option(
    "--align",
    type=click.Choice(["along", "none"]),
    help="along: take the shift along off that brings most bolts together, as where the lowest-numbered card lay "
    "elsewhere; none: compare stations as they are. Left out: along where three bolts or more agree in it, with exit "
    "status 1; against a design none.",
)
def compare(first: Path, second: Path, output: Path | None, form: str, align: Literal["along", "none"] | None) -> None:
    """Say what of each bolt differs from A to B by more than chance explains.

    A and B are each a folder that measure wrote, a package in a store, a survey.json, or a design: a CSV file with
    columns station and setback, and run where there are several. A star marks a difference that shows: one over the ±
    of both, widened for the number of comparisons in its run, which is told. Bolts more than 4 in apart are not taken
    for one, but where all setbacks differ by about the same. Exit status 0: nothing differs; 1: something does, or
    cannot be told, such as whether a whole run moved along; 2: one of the two cannot be read.
    """
    from rich.console import Console

    from sillwright.archive.compare import compare as compared
    from sillwright.archive.sides import beside, read_side
    from sillwright.errors import ArchiveError
    from sillwright.tell.compare_picture import compare_svg, is_picture
    from sillwright.tell.compare_words import compare_csv, compare_json, compare_lines, compare_table
    from sillwright.whole_file import write_aside

    if output is not None:
        check_file(output, ".svg", "picture of a comparison", is_picture, "compared.svg")
    one, other = read_side(first), read_side(second)
    design = one.is_design or other.is_design
    first_runs = beside(one.runs, other.runs) if one.is_design else one.runs
    second_runs = beside(other.runs, one.runs) if other.is_design else other.runs
    found = compared(first_runs, second_runs, align or ("none" if design else "agreed"))
    if not found.runs:
        raise ArchiveError(
            f"{first} and {second} have no run of one name: {', '.join(found.only_first)} against "
            f"{', '.join(found.only_second)}."
        )
    if output is not None:
        with writing(output):
            write_aside(output, compare_svg(found, design).encode())
    if form == "csv":
        click.echo(compare_csv(found, design), nl=False)
    elif form == "json":
        click.echo(compare_json(found, design))
    else:
        console = Console()
        for run in found.runs:
            console.print(compare_table(run, design))
        for line in compare_lines(found, design):
            console.print(line, highlight=False, markup=False)
    if found.differs:
        raise SystemExit(1)
