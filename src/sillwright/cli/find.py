"""``sillwright find``: packages, bolts and rules not met, out of a store's catalogue."""

from __future__ import annotations

import math
import os
from collections.abc import Mapping, Sequence
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from sillwright.cli.output import printable

if TYPE_CHECKING:
    import sqlite3

    from sillwright.archive.search import Found, Query
    from sillwright.archive.store import Store
    from sillwright.archive.where import PhotoPlace, Unread
    from sillwright.survey import Status

_DAY = click.DateTime(["%Y-%m-%d"])


def _number(_: click.Context, __: click.Parameter, value: float | None) -> float | None:
    """Refuse ``nan``, which no range keeps out and no bolt leans more than."""
    if value is not None and math.isnan(value):
        raise click.BadParameter("nan is no number of degrees. Write one like 2.5.")
    return value


@click.command()
@click.argument("place", type=click.Path(path_type=Path, exists=True, file_okay=False), metavar="STORE")
@click.option("--job", callback=printable, default="", metavar="WORDS", help="A part of the job's name.")
@click.option("--lot", callback=printable, default="", help="The lot.")
@click.option("--run", callback=printable, default="", metavar="NAME", help="The run.")
@click.option("--since", type=_DAY, metavar="DAY", help="The first day, like 2026-05-22.")
@click.option("--until", type=_DAY, metavar="DAY", help="The last day.")
@click.option("--status", type=click.Choice(["ok", "check", "reshoot"]), help="Bolts of that status.")
@click.option(
    "--rule", metavar="RULE", default="", help="A rule that is not met, as plates.json names it, or any: like spacing."
)
@click.option("--setback-over", metavar="LENGTH", default="", help='Bolts farther in from the line, like "5 1/4 in".')
@click.option(
    "--lean-over",
    type=click.FloatRange(0.0, 90.0),
    callback=_number,
    metavar="DEGREES",
    help="Bolts that lean more.",
)
@click.option(
    "--limit", type=click.IntRange(0, 1_000_000_000), default=200, show_default=True, help="How many rows; 0 for all."
)
@click.option(
    "--as",
    "form",
    type=click.Choice(["table", "csv", "json"]),
    default="table",
    show_default=True,
    help="How to print.",
)
@click.option(
    "--thumbnails", type=click.Path(path_type=Path), metavar="FOLDER", help="Write a small picture of each photo there."
)
@click.option(
    "--where-taken",
    is_flag=True,
    help="Also tell, out of the sealed originals, where and with which camera each photo of the answer was "
    "taken; in CSV in place of the answer.",
)
@click.option("--rebuild", is_flag=True, help="First make the catalogue again from all packages.")
def find(
    place: Path, limit: int, form: str, thumbnails: Path | None, where_taken: bool, rebuild: bool, **asked: Any
) -> None:
    """Find packages in STORE, the newest day first; with --status, --run, --setback-over or --lean-over their bolts.

    Everything given must hold. Exit status 0: here is the answer, be it empty; 2: something asked for is not
    understood; 5: a package cannot be read, and the answer is without it.
    """
    from sillwright.archive.catalogue import catalogue, is_writable, refresh, remake
    from sillwright.archive.search import find as find_rows
    from sillwright.archive.store import open_store, writing

    store, query = open_store(place), _query(limit, **asked)
    faults: list[str] = []
    if not rebuild and not is_writable(store):
        click.echo(
            f"{place} cannot be written, so its catalogue is brought in step in memory, for this once.", err=True
        )
    if rebuild:
        if not is_writable(store):
            raise click.UsageError(f"{place} cannot be written. Without --rebuild, find makes a catalogue in memory.")
        with writing(store):
            faults = remake(store)
    with catalogue(store) as connection:
        if not rebuild:
            faults = refresh(connection, store)
        found = find_rows(connection, query)
        pictures = _thumbnails(connection, found, thumbnails) if thumbnails is not None else {}
    faults += _print(store, found, form, limit, where_taken)
    if thumbnails is not None:
        _write_thumbnails(pictures, thumbnails)
    for fault in faults:
        click.echo(f"sillwright: {fault} Run sillwright audit {place}", err=True)
    if faults:
        raise SystemExit(5)


def _query(
    limit: int,
    job: str,
    lot: str,
    run: str,
    since: datetime | None,
    until: datetime | None,
    status: Status | None,
    rule: str,
    setback_over: str,
    lean_over: float | None,
) -> Query:
    """What the options ask for."""
    from sillwright.archive.search import RULES, Query
    from sillwright.lengths import parse_length_mm

    if since and until and since > until:
        raise click.UsageError(
            f"--since {since:%Y-%m-%d} is after --until {until:%Y-%m-%d}, and no day is both. Exchange the two."
        )
    if rule and rule not in (*RULES, "any"):
        raise click.UsageError(f"--rule {rule} is none. There are {', '.join(RULES)}, and any.")
    return Query(
        job=job,
        lot=lot,
        run=run,
        since=since.strftime("%Y-%m-%d") if since else "",
        until=until.strftime("%Y-%m-%d") if until else "",
        status=status,
        rule=rule,
        setback_over_mm=parse_length_mm(setback_over) if setback_over else None,
        lean_over_deg=lean_over,
        limit=limit,
    )


def _print(store: Store, found: Found, form: str, limit: int, where_taken: bool) -> list[str]:
    """Print the answer; a sentence for each photo, and package, whose places were asked for and that cannot be read."""
    from rich.console import Console

    from sillwright.archive.where import PhotoPlace, Unread
    from sillwright.tell.find_tables import find_closing, find_csv, find_json, find_table, places_csv, places_table

    asked, faults = _places(store, _packages(found)) if where_taken else ([], [])
    places = [one for one in asked if isinstance(one, PhotoPlace)] if where_taken else None
    if form == "csv":
        click.echo(find_csv(found) if places is None else places_csv(places), nl=False)
    elif form == "json":
        click.echo(find_json(found, places))
    else:
        console = Console()
        answers = [find_table(found, console.width)] if found.rows else []
        answers += [places_table(places, console.width)] if places else []
        for answer in answers:
            console.print(answer, soft_wrap=True)  # a line is never cut: the terminal breaks what is longer
    click.echo(find_closing(found, limit), err=True)
    unread = [one for one in asked if isinstance(one, Unread)]
    told = (f"{one.package}: photo {one.file} was measured, and cannot be read where it was sealed." for one in unread)
    return [*faults, *told]


def _places(store: Store, packages: Sequence[str]) -> tuple[list[PhotoPlace | Unread], list[str]]:
    """Where each photo was taken, and a sentence for each package that cannot be read."""
    from sillwright.archive.where import photo_places
    from sillwright.errors import SillwrightError

    places: list[PhotoPlace | Unread] = []
    faults = []
    for name in packages:
        try:
            places += photo_places(store.package(name))
        except SillwrightError as fault:
            faults.append(str(fault))
    return places, faults


def _packages(found: Found) -> list[str]:
    """The packages in an answer, each once."""
    return list(dict.fromkeys(str(row[found.columns.index("package")]) for row in found.rows))


def _thumbnails(connection: sqlite3.Connection, found: Found, folder: Path) -> dict[Path, bytes]:
    """The small picture of each photo of each package in the answer, by where it goes.

    Raises a usage error where another file is there already: a folder of the user's may hold anything.
    """
    from sillwright.archive.search import thumbnails
    from sillwright.tell.report import file_names

    pictures: dict[Path, bytes] = {}
    for name in _packages(found):
        of_package = thumbnails(connection, name)
        plain = file_names(list(of_package))
        pictures |= {folder / f"{name}-{plain[file]}.jpg": picture for file, picture in of_package.items()}
    for path, picture in pictures.items():
        if os.path.lexists(path) and not (path.is_file() and path.read_bytes() == picture):
            raise click.UsageError(
                f"{path} is there already and is another file: nothing is written. Name a new folder with --thumbnails."
            )
    return pictures


def _write_thumbnails(pictures: Mapping[Path, bytes], folder: Path) -> None:
    from sillwright.cli.output import writing as telling_of_writes
    from sillwright.whole_file import write_aside

    with telling_of_writes(folder, "folder", "--thumbnails"):
        for path, picture in pictures.items():
            write_aside(path, picture)
    click.echo(f"Wrote {len(pictures)} small pictures in {folder}.", err=True)
