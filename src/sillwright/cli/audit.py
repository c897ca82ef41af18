"""``sillwright audit``: read every byte of every package, and say what is not as it was sealed."""

from __future__ import annotations

import os
from collections.abc import Mapping
from pathlib import Path
from typing import TYPE_CHECKING

import click

from sillwright.cli.measure import MOST_WORKERS, progress_bar

if TYPE_CHECKING:
    from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PublicKey

    from sillwright.archive.audit import Audit
    from sillwright.archive.heads import Head

NOT_ALL_READ, DAMAGED = 1, 5


@click.command()
@click.argument("place", type=click.Path(path_type=Path, exists=True, file_okay=False), metavar="STORE")
@click.option(
    "--measure-again",
    metavar="PACKAGE",
    help="In place of an audit: measure that package's job from its own photos, and hold every number against the "
    "sealed ones. Where STORE is one package, give its name, or a dot.",
)
@click.option(
    "--key",
    type=click.Path(path_type=Path),
    metavar="FILE",
    help="An Ed25519 public key, as PEM, that every package must be signed with.",
)
@click.option(
    "--kept",
    type=click.Path(path_type=Path),
    metavar="FILE",
    help="A head of the log that was kept elsewhere; the log must still hold what it was written over.",
)
@click.option(
    "--stamp-roots",
    type=click.Path(path_type=Path),
    metavar="FILE",
    help="Certificates of time-stamp authorities, as PEM, that every token in STORE/stamps must lead to.",
)
@click.option(
    "--proof",
    type=click.Path(path_type=Path),
    metavar="FILE",
    help="Where STORE is one package: a proof that sillwright prove printed, to hold against it.",
)
@click.option(
    "--resume",
    is_flag=True,
    help="Do not read again what an audit that was cut off in the last 24 hours noted as whole. Exit status 0 then "
    "comes only where nothing was left out.",
)
@click.option("--anew", is_flag=True, help="Read in the order of names, whatever an audit that was cut off had read.")
@click.option("--json", "as_json", is_flag=True, help="Print the result as JSON.")
def audit(
    place: Path,
    measure_again: str | None,
    key: Path | None,
    kept: Path | None,
    stamp_roots: Path | None,
    proof: Path | None,
    resume: bool,
    anew: bool,
    as_json: bool,
) -> None:
    """Check every file of every package in STORE against its checksums, and the packages against the log.

    STORE may also be the folder of one package. After an audit that was cut off, what it did not come to is read
    first, then the rest. Exit status 0: all was read, and is as it was sealed; 1: with --measure-again, the numbers
    came out otherwise, with --resume, nothing is wrong in what was read, and not all was; 2: this is no store or
    package; 5: something was changed, is missing or was added, and each is named.
    """
    from rich.console import Console

    from sillwright.archive.audit import audit_store
    from sillwright.archive.examine import TAG_FILES
    from sillwright.archive.heads import read_head, read_public_key
    from sillwright.archive.log import TAG_MANIFESTS
    from sillwright.archive.stamp import read_roots
    from sillwright.archive.store import open_store

    public_key = None if key is None else read_public_key(key)
    kept_head = None if kept is None else read_head(kept)
    is_package = any((place / name).exists() for name in TAG_FILES)
    if measure_again is not None:
        asked = {
            "--key": key,
            "--kept": kept,
            "--stamp-roots": stamp_roots,
            "--proof": proof,
            "--resume": resume or None,
            "--json": as_json or None,
        }
        _refuse(asked, "--measure-again is in place of an audit. Run the two one after the other.")
        _measure_again(*_package_named(place, is_package, measure_again))
        return
    if is_package:
        alone = (
            f"{place} is one package, whose time stamp lies in its store. Name the store; or check the token with "
            f"openssl ts -verify -data {place / TAG_MANIFESTS[0]} -in TOKEN -CAfile FILE"
        )
        _refuse({"--stamp-roots": stamp_roots}, alone)
        _refuse({"--resume": resume or None}, f"{place} is one package, which is always read as a whole.")
        _audit_package(place, proof, public_key, kept_head, as_json)
        return
    if resume:
        asked = {"--key": key, "--kept": kept, "--stamp-roots": stamp_roots, "--anew": anew or None}
        _refuse(asked, "--resume leaves packages unread, and these are for an audit of all. Take out --resume.")
    _refuse({"--proof": proof}, f"{place} is not the folder of one package, which a proof is for.")
    store = open_store(place)
    with progress_bar(Console(stderr=True)) as bar:
        found = audit_store(
            store,
            workers=min(os.cpu_count() or 1, MOST_WORKERS),
            progress=None if bar is None else lambda done, total: bar("Packages", done, total),
            key=public_key,
            kept=kept_head,
            roots=() if stamp_roots is None else read_roots(stamp_roots),
            resume=resume,
            anew=anew,
        )
    _print(found, as_json)
    if found.damaged:
        raise SystemExit(DAMAGED)
    if found.gone_on:
        raise SystemExit(NOT_ALL_READ)


def _refuse(asked: Mapping[str, object], why: str) -> None:
    """Refuse by name an option that has no meaning here: passed over, it would look as if it had been done."""
    given = [option for option, value in asked.items() if value is not None]
    if given:
        raise click.UsageError(f"{', '.join(given)} cannot be used here: {why}")


def _audit_package(
    package: Path, proof_file: Path | None, key: Ed25519PublicKey | None, kept: Head | None, as_json: bool
) -> None:
    from sillwright.archive.examine import examine
    from sillwright.archive.proofs import check_proof, read_proof
    from sillwright.tell.archive_words import fault_line, package_json, proof_line

    name = package.resolve().name
    if proof_file is None and (key is not None or kept is not None):
        raise click.UsageError("--key and --kept are about the log: for one package, give its --proof as well.")
    faults = examine(package.absolute())
    proof = None if proof_file is None else read_proof(proof_file)
    told = () if proof is None or faults else check_proof(package, proof, kept, key)
    if as_json:
        click.echo(package_json(name, faults, told, proof))
    else:
        for line in [*(fault_line(name, fault) for fault in faults), *(f"{name}: {one}" for one in told)]:
            click.echo(line)
    if faults and proof is not None:
        click.echo("The proof was not held against it, since the package itself is not whole.", err=True)
    if faults or told:
        raise SystemExit(DAMAGED)
    if not as_json:
        click.echo(f"{name}: every file is as it was sealed, by its own lists of checksums.")
        if proof is not None:
            click.echo(proof_line(proof, known=key is not None or kept is not None))


def _print(found: Audit, as_json: bool) -> None:
    from sillwright.tell.archive_words import audit_closing, audit_json, audit_lines, stamp_lines

    if as_json:
        click.echo(audit_json(found))
        return
    for line in [*audit_lines(found), *stamp_lines(found)]:
        click.echo(line)
    click.echo(audit_closing(found))


def _package_named(place: Path, is_package: bool, name: str) -> tuple[Path, str]:
    """The folder and the name of a package that was named in a store, or beside its own folder."""
    from sillwright.archive.package import is_name
    from sillwright.archive.store import open_store
    from sillwright.errors import ArchiveError

    if is_package:
        own = place.resolve().name
        if name not in (own, "."):
            raise click.UsageError(f"{place} is the package {own!r}, and not {name!r}. Name it, or write a dot.")
        return place, own
    store = open_store(place)
    if not is_name(name) or name not in store.names():
        raise ArchiveError(f"{store.folder} has no package {name!r}. sillwright find {store.folder} lists them.")
    return store.package(name), name


def _measure_again(package: Path, name: str) -> None:
    from sillwright.archive.examine import examine
    from sillwright.cli.again import measured_again
    from sillwright.tell.archive_words import fault_line

    faults = examine(package.absolute())
    for fault in faults:
        click.echo(fault_line(name, fault))
    if faults:
        raise SystemExit(DAMAGED)
    if not measured_again(package, name).same:
        raise SystemExit(1)
