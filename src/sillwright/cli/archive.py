"""``sillwright archive``: seal what ``measure`` and ``plates`` wrote, with the photos, as one package in a store."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import click

from sillwright.cli.output import printable, writing

if TYPE_CHECKING:
    from sillwright.archive.store import Store


@click.command()
@click.argument("folder", type=click.Path(path_type=Path), metavar="OUT")
@click.option(
    "-o",
    "--output",
    type=click.Path(path_type=Path),
    required=True,
    metavar="STORE",
    help="The folder that keeps the packages; made where it is not there yet.",
)
@click.option(
    "--photos",
    type=click.Path(path_type=Path, exists=True, file_okay=False),
    metavar="FOLDER",
    help="The folder of the job file that was measured, with its photos; needed only where it is neither the current "
    "folder, nor OUT, nor the one above OUT.",
)
@click.option(
    "--signed-off",
    callback=printable,
    default="",
    metavar="NAME",
    help="Who signs off; kept in the package as written.",
)
@click.option(
    "--lot",
    callback=printable,
    default="",
    help="The lot, to find it by; left out, the one that the job's name speaks of.",
)
@click.option(
    "--key",
    type=click.Path(path_type=Path),
    metavar="FILE",
    help="An Ed25519 private key, as PEM, to sign the log with.",
)
@click.option(
    "--measure-again",
    is_flag=True,
    help="Before it is entered in the log, measure the finished package from its own photos; seal nothing where the "
    "numbers come out otherwise.",
)
def archive(
    folder: Path,
    output: Path,
    photos: Path | None,
    signed_off: str,
    lot: str,
    key: Path | None,
    measure_again: bool,
) -> None:
    """Seal the results in OUT, the job file, its photos and the phone profile as one package.

    OUT is the folder that measure wrote. The package goes into STORE, and its digest into the log there; sealing the
    same again changes nothing. Exit status 0: sealed, or sealed before; 1: the disk did not take it; 2: something is
    missing, or is not what was measured; 5: the store's log is damaged.
    """
    from rich.console import Console

    from sillwright.archive.contents import read_contents
    from sillwright.archive.heads import read_private_key
    from sillwright.archive.keep import keep
    from sillwright.archive.package_names import same_but_for_case
    from sillwright.archive.store import make_store
    from sillwright.tell.archive_words import case_lines, log_sentence, not_told_lines

    private_key = None if key is None else read_private_key(key)
    _apart(folder, output)
    contents = read_contents(folder, photos, Path.cwd())
    with writing(output, "store"):
        store = make_store(output)
        kept = keep(
            store,
            contents,
            signed_off=" ".join(signed_off.split()),
            lot=lot.strip(),
            key=private_key,
            check=_measure_again if measure_again else None,
        )
    sealed, head = kept.sealed, kept.head
    for line in (*not_told_lines(contents.not_told), *case_lines(same_but_for_case(contents.files))):
        click.echo(f"sillwright: {line}", err=True)
    if kept.finished:
        click.echo(
            f"sillwright: {kept.finished}, sealed by a run that was cut off, is whole and is in the log now.", err=True
        )
    click.echo(store.package(sealed.name))
    Console(stderr=True).print(
        f"{'Sealed' if sealed.is_new else 'Sealed before, and left as it is'}: {sealed.name}, {len(contents.files)} "
        f"files. {log_sentence(head)} Keep the root, or a copy of the "
        "newest file in log/heads, where nobody with access to the store can change it.",
        highlight=False,
        soft_wrap=True,
    )
    _catalogue(store)


def _measure_again(package: Path) -> None:
    """Raises ArchiveError where the numbers of a package that is not sealed yet come out otherwise."""
    from sillwright.cli.again import measured_again
    from sillwright.errors import ArchiveError

    if not measured_again(package, "the new package", aside=True).same:
        raise ArchiveError(
            "measured again, the numbers are not those in survey.json, so nothing was sealed. Run sillwright measure "
            "again, and plates, then archive."
        )


def _catalogue(store: Store) -> None:
    """Put what is new into the catalogue. It can always be made again, so that nothing sealed hangs on it."""
    from sillwright.archive.catalogue import catalogue, refresh
    from sillwright.errors import SillwrightError

    try:
        with catalogue(store) as connection:
            faults = refresh(connection, store)
    except SillwrightError as fault:
        faults = [str(fault)]
    for told in faults:
        click.echo(f"sillwright: {told}", err=True)


def _apart(folder: Path, output: Path) -> None:
    """A store must not lie in the results it keeps, nor the results in a store."""
    results, store = folder.resolve(), output.resolve()
    if store.is_relative_to(results) or results.is_relative_to(store):
        raise click.UsageError(f"-o names {output}, and one of it and {folder} lies in the other. Name another.")
