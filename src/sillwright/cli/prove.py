"""``sillwright prove``: for somebody who gets a package and no store, that the log holds it."""

from __future__ import annotations

from pathlib import Path

import click


@click.command()
@click.argument("place", type=click.Path(path_type=Path, exists=True, file_okay=False), metavar="STORE")
@click.argument("package")
@click.option(
    "--kept",
    type=click.Path(path_type=Path),
    metavar="FILE",
    help="A head of the log that the other side has already; proves that the log has only grown since.",
)
def prove(place: Path, package: str, kept: Path | None) -> None:
    """Print the proof, as JSON, that the log of STORE holds PACKAGE.

    Send it with the package's folder; who gets both runs sillwright audit FOLDER --proof FILE. Exit status 0: here it
    is; 2: the log has no such package; 5: the log is damaged, or has not grown from the head that was kept.
    """
    from sillwright.archive.heads import read_head
    from sillwright.archive.proofs import proof_text
    from sillwright.archive.proofs import prove as proof_of
    from sillwright.archive.store import open_store
    from sillwright.tell.archive_words import PROOF_HOW

    proof = proof_of(open_store(place), package, None if kept is None else read_head(kept))
    click.echo(proof_text(proof, PROOF_HOW))
