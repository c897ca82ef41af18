"""The group all commands hang on."""

from __future__ import annotations

import click

from sillwright import __version__
from sillwright.cli.archive import archive
from sillwright.cli.audit import audit
from sillwright.cli.calibrate import calibrate
from sillwright.cli.cards import cards
from sillwright.cli.check import check
from sillwright.cli.compare import compare
from sillwright.cli.find import find
from sillwright.cli.measure import measure
from sillwright.cli.page import page
from sillwright.cli.plates import plates
from sillwright.cli.prove import prove


@click.group(context_settings={"help_option_names": ["-h", "--help"], "max_content_width": 100})
@click.version_option(__version__, prog_name="sillwright")
def app() -> None:
    """Measure the anchor bolts of a foundation wall from phone photos.

    Print scale cards, lay them on the wall, photograph each run from above, and get every bolt's place along the
    wall, its setback from the chalk line, its lean and its stick-up. sillwright advises; it approves nothing.
    """


app.add_command(cards)
app.add_command(calibrate)
app.add_command(check)
app.add_command(measure)
app.add_command(plates)
app.add_command(archive)
app.add_command(audit)
app.add_command(prove)
app.add_command(find)
app.add_command(compare)
app.add_command(page)
