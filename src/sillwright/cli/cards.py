"""``sillwright cards``: scale cards, or the calibration sheet, to print."""

from __future__ import annotations

from pathlib import Path
from typing import Literal

import click
from click.core import ParameterSource

from sillwright.cards import CARD_COUNT
from sillwright.cli.output import check_file, writing

_OF_CARDS = ("first", "last", "one_a_sheet")


@click.command()
@click.option(
    "--first",
    type=click.IntRange(1, CARD_COUNT),
    default=1,
    show_default=True,
    help="Number of the first card.",
)
@click.option(
    "--last",
    type=click.IntRange(1, CARD_COUNT),
    default=4,
    show_default=True,
    help="Number of the last card.",
)
@click.option(
    "--paper",
    type=click.Choice(["letter", "a4"], case_sensitive=False),
    default="letter",
    show_default=True,
    help="Paper in the printer.",
)
@click.option(
    "--one-a-sheet",
    is_flag=True,
    help="One card to a sheet, with 10 mm of white all round after cutting. Two to a sheet leave less at the top.",
)
@click.option(
    "--calibration-sheet", is_flag=True, help="Write the sheet for calibrating a phone's lens instead of cards."
)
@click.option(
    "-o",
    "--output",
    type=click.Path(path_type=Path),
    required=True,
    metavar="FILE.pdf",
    help="The PDF to write.",
)
@click.pass_context
def cards(
    context: click.Context,
    first: int,
    last: int,
    paper: Literal["letter", "a4"],
    one_a_sheet: bool,
    calibration_sheet: bool,
    output: Path,
) -> None:
    """Write scale cards to print, two to a sheet. Print at 100 %, then check the ticks with a tape."""
    given = [name for name in _OF_CARDS if context.get_parameter_source(name) is not ParameterSource.DEFAULT]
    if calibration_sheet and given:
        raise click.UsageError(
            f"--{given[0].replace('_', '-')} is for cards, and there is one calibration sheet only: leave it out, or "
            "leave out --calibration-sheet."
        )
    if last < first:
        raise click.UsageError(f"--last {last} comes before --first {first}: give the lower number to --first.")
    check_file(output, ".pdf", "PDF", _is_pdf, "cards.pdf")
    from sillwright.tell.cardsheet import PAPER_NAME, write_calibration_pdf, write_cards_pdf

    with writing(output):
        if calibration_sheet:
            write_calibration_pdf(output, paper)
            made, check = "the calibration sheet", "252 mm along and 168 mm down"
        else:
            write_cards_pdf(output, range(first, last + 1), paper, one_a_sheet)
            made = f"card {first}" if first == last else f"cards {first} to {last}"
            made += (
                ", one to a sheet" if one_a_sheet else ", two to a sheet, and a first page that says how to use them"
            )
            check = "240 mm (9 7/16 in and a hair)"
    click.echo(f"Wrote {output}: {made}, {PAPER_NAME[paper]} paper, landscape.")
    click.echo(f"Print at 100 % (actual size), then check with a tape, tick to tick: {check}.")


def _is_pdf(path: Path) -> bool:
    try:
        with path.open("rb") as stream:
            return stream.read(5) == b"%PDF-"
    except OSError:
        return False
