"""``sillwright audit``: read every byte of every package, and say what is not as it was sealed."""

from __future__ import annotations

import os
from pathlib import Path
from typing import TYPE_CHECKING

import click

from sillwright.cli.measure import MOST_WORKERS, progress_bar, workers_for

if TYPE_CHECKING:
    from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PublicKey

    from sillwright.archive.audit import Audit
    from sillwright.archive.heads import Head
    from sillwright.archive.store import Store

DAMAGED = 5


@click.command()
@click.argument("place", type=click.Path(path_type=Path, exists=True, file_okay=False), metavar="STORE")
@click.option(
    "--measure-again",
    metavar="PACKAGE",
    help="In place of an audit: measure that package's job from its own photos, and hold every number against the "
    "sealed ones.",
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
@click.option("--anew", is_flag=True, help="Read all, also what an audit that was cut off today has read.")
@click.option("--json", "as_json", is_flag=True, help="Print the result as JSON.")
def audit(
    place: Path,
    measure_again: str | None,
    key: Path | None,
    kept: Path | None,
    stamp_roots: Path | None,
    proof: Path | None,
    anew: bool,
    as_json: bool,
) -> None:
    """Check every file of every package in STORE against its checksums, and the packages against the log.

    STORE may also be the folder of one package. An audit that was cut off today goes on where it was. Exit status 0:
    all is as it was sealed; 1: with --measure-again, the numbers came out otherwise; 2: this is no store or package;
    5: something was changed, is missing or was added, and each is named.
    """
    from rich.console import Console

    from sillwright.archive.audit import audit_store
    from sillwright.archive.heads import read_head, read_public_key
    from sillwright.archive.stamp import read_roots
    from sillwright.archive.store import open_store

    public_key = None if key is None else read_public_key(key)
    kept_head = None if kept is None else read_head(kept)
    if (place / "bagit.txt").exists():
        _audit_package(place, proof, public_key, kept_head)
        return
    if proof is not None:
        raise click.UsageError(f"--proof is for one package; {place} is not the folder of one.")
    store = open_store(place)
    if measure_again is not None:
        _measure_again(store, measure_again)
        return
    with progress_bar(Console(stderr=True)) as bar:
        found = audit_store(
            store,
            workers=min(os.cpu_count() or 1, MOST_WORKERS),
            progress=None if bar is None else lambda done, total: bar("Packages", done, total),
            key=public_key,
            kept=kept_head,
            roots=() if stamp_roots is None else read_roots(stamp_roots),
            anew=anew,
        )
    _print(found, as_json)
    if found.damaged:
        raise SystemExit(DAMAGED)


def _audit_package(package: Path, proof_file: Path | None, key: Ed25519PublicKey | None, kept: Head | None) -> None:
    from sillwright.archive.examine import examine
    from sillwright.archive.proofs import check_proof, read_proof
    from sillwright.tell.archive_words import fault_line, proof_line

    if proof_file is None and (key is not None or kept is not None):
        raise click.UsageError("--key and --kept are about the log: for one package, give its --proof as well.")
    faults = examine(package.absolute())
    for fault in faults:
        click.echo(fault_line(package.name, fault))
    proof = None if proof_file is None else read_proof(proof_file)
    told = () if proof is None or faults else check_proof(package, proof, kept, key)
    for one in told:
        click.echo(f"{package.name}: {one}")
    if faults or told:
        raise SystemExit(DAMAGED)
    click.echo(f"{package.name}: every file is as it was sealed, by its own lists of checksums.")
    if proof is not None:
        click.echo(proof_line(proof, known=key is not None or kept is not None))


def _print(found: Audit, as_json: bool) -> None:
    from sillwright.tell.archive_words import audit_closing, audit_json, audit_lines

    if as_json:
        click.echo(audit_json(found))
        return
    for line in audit_lines(found):
        click.echo(line)
    click.echo(audit_closing(found))


def _measure_again(store: Store, name: str) -> None:
    from rich.console import Console

    from sillwright.archive.again import differences
    from sillwright.archive.examine import examine
    from sillwright.archive.package import RESULTS, is_name, read_record
    from sillwright.errors import ArchiveError, DamageError
    from sillwright.job import load_job
    from sillwright.measure import measure_job
    from sillwright.survey import read_survey
    from sillwright.tell.archive_words import again_lines, fault_line

    if not is_name(name) or name not in store.names():
        raise ArchiveError(f"{store.folder} has no package {name!r}. sillwright find {store.folder} lists them.")
    package = store.package(name).resolve()
    faults = examine(package)
    if faults:
        for fault in faults:
            click.echo(fault_line(name, fault))
        raise SystemExit(DAMAGED)
    sealed = read_survey(package / "data" / RESULTS / "survey.json")
    job = load_job(package / "data" / read_record(package).job_file)
    if job.profile_path is not None and not job.profile_path.resolve().is_relative_to(package / "data"):
        raise DamageError(f"{name} names a phone profile outside of it, so it is not measured.")
    with progress_bar(Console(stderr=True)) as progress:
        again = measure_job(job, workers=workers_for(job), progress=progress)
    found = differences(sealed, again)
    for line in again_lines(name, found):
        click.echo(line)
    for library in sorted(sealed.libraries.keys() | again.libraries.keys()):
        then, now = sealed.libraries.get(library, "not told"), again.libraries.get(library, "not told")
        if then != now:
            click.echo(f"  {library}: {then} then, {now} now", err=True)
    if not found.same:
        raise SystemExit(1)
