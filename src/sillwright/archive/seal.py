"""Sealing: a hidden folder is filled, made a bag, checked and kept by the disk; one rename makes it a package.

So a reader sees no package, or a whole one, whatever happens in between. Sealing what is sealed already changes
nothing, and what a killed run left undone is done by the next.
"""

from __future__ import annotations

import logging
import os
import shutil
import tempfile
from collections.abc import Callable
from contextlib import chdir
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path

import bagit

from sillwright import __version__
from sillwright.archive.contents import Contents
from sillwright.archive.examine import examine
from sillwright.archive.log import note_unfinished, read_entries
from sillwright.archive.package import (
    ALGORITHMS,
    BAGIT_TXT,
    RECORD,
    RESULTS,
    PackageRecord,
    SignOff,
    lot_in,
    name_stem,
    read_inside,
    read_record,
    to_bytes,
)
from sillwright.archive.store import BUILDING, Store, sync_folder
from sillwright.environment import library_versions
from sillwright.errors import ArchiveError, SillwrightError
from sillwright.job import load_job
from sillwright.profile import read_profile

Check = Callable[[Path], None]

# What it logs, a traceback among it, is raised as well.
logging.getLogger("bagit").setLevel(logging.CRITICAL + 1)


@dataclass(frozen=True)
class Sealed:
    """A package in its store; ``is_new`` is False where the same was sealed before."""

    name: str
    is_new: bool


def seal(
    store: Store,
    contents: Contents,
    *,
    signed_off: str = "",
    lot: str = "",
    now: datetime | None = None,
    check: Check | None = None,
) -> Sealed:
    """Put the contents into the store as one package. Call it as the one writer, under ``store.writing``.

    signed_off : who signs off, free text; lot : empty for the lot that the job's name speaks of
    check : called with the finished package before it gets its name, and raises what speaks against it
    Raises ArchiveError where a photo is not the one that was measured, or the job does not load from the package
    alone; OSError where the disk is full. Nothing is left behind then.
    """
    record = _record(contents, signed_off, lot, now or datetime.now(UTC))
    building = Path(tempfile.mkdtemp(prefix=BUILDING, dir=store.packages))
    try:
        _fill(building, contents, record)
        found = _make_bag(building, record)
        _check_sums(contents, found)
        _check_job(building, contents)
        if check is not None:
            check(building)
        earlier = _same(store, building, record)
        if earlier is not None:
            return Sealed(earlier, is_new=False)
        _keep(building)
        name = _free_name(store, name_stem(record.job, record.day))
        note_unfinished(store, building, name)
        building.rename(store.package(name))
        sync_folder(store.packages)
        return Sealed(name, is_new=True)
    finally:
        shutil.rmtree(building, ignore_errors=True)


def _record(contents: Contents, signed_off: str, lot: str, now: datetime) -> PackageRecord:
    taken = contents.taken
    sealed_at = now.strftime("%Y-%m-%dT%H:%M:%SZ")
    return PackageRecord(
        job=contents.survey.name,
        lot=lot or lot_in(contents.survey.name),
        day=(taken or now).strftime("%Y-%m-%d"),
        day_from="sealing" if taken is None else "photos",
        sealed_at=sealed_at,
        signed_off=SignOff(signed_off, sealed_at) if signed_off else None,
        job_file=contents.job_file,
        profile=contents.profile,
        photos=len(contents.survey.photos),
        measured_by=contents.survey.software,
        measured_with=contents.survey.libraries,
        sealed_with={"sillwright": __version__, **library_versions()},
        not_told=contents.not_told,
    )


def _fill(building: Path, contents: Contents, record: PackageRecord) -> None:
    for place, source in contents.files.items():
        target = building / place
        target.parent.mkdir(parents=True, exist_ok=True)
        shutil.copyfile(source, target)
    (building / RECORD).write_bytes(to_bytes(record))


def _make_bag(building: Path, record: PackageRecord) -> dict[str, str]:
    """Make the folder a bag of RFC 8493, and read it back; the SHA-256 by path in ``data/``."""
    info = {
        "Bag-Software-Agent": f"sillwright {__version__}, bagit {bagit.VERSION}",
        "Bagging-Date": record.sealed_at[:10],
        "External-Identifier": name_stem(record.job, record.day),
    }
    try:
        with chdir(Path.cwd()):  # the library changes folders, and stays where it is when the disk is full
            bag = bagit.make_bag(str(building), info, checksums=list(ALGORITHMS))
            (Path(bag.path) / "bagit.txt").write_text(BAGIT_TXT, encoding="utf-8")
            bag.save()
        _space_tag_manifests(building)
        bag = bagit.Bag(str(building))
        bag.validate()
    except bagit.BagError as fault:
        raise ArchiveError(f"the package does not read back as it was written ({fault}). Check the disk.") from fault
    return {path.removeprefix("data/"): hashes["sha256"] for path, hashes in bag.payload_entries().items()}


def _space_tag_manifests(building: Path) -> None:
    """Two blanks before each name, as sha256sum wants them and the library has them in payload manifests only."""
    for algorithm in ALGORITHMS:
        path = building / f"tagmanifest-{algorithm}.txt"
        lines = (line.split(" ", 1) for line in path.read_text(encoding="utf-8").splitlines())
        path.write_text("".join(sorted(f"{digest}  {name.strip()}\n" for digest, name in lines)), encoding="utf-8")


def _check_sums(contents: Contents, found: dict[str, str]) -> None:
    """What was copied must be what the numbers come from."""
    changed = [place for place, sha256 in contents.expected.items() if found[place] != sha256]
    if contents.profile in changed:
        raise ArchiveError(
            f"{contents.files[contents.profile]} is not the profile that was measured with. Put that one back, or "
            "measure again with this one; a package holds the profile that its numbers come from."
        )
    if changed:
        names = ", ".join(str(contents.files[place]) for place in changed)
        what = "what was written" if changed[0].startswith(f"{RESULTS}/") else "the photo that was measured"
        raise ArchiveError(
            f"{names}: the file is not {what}. Put it back, or measure again; a package holds the files that its "
            "numbers come from."
        )


def _check_job(building: Path, contents: Contents) -> None:
    """The job must load from the package alone, with the same photos and a profile that is one."""
    job_file = building / "data" / contents.job_file
    try:
        job = load_job(job_file)
        if job.profile_path is not None:
            read_profile(job.profile_path)
    except SillwrightError as fault:
        raise ArchiveError(f"the job cannot be measured again from the package alone: {fault}") from fault
    if {job.file_name(photo) for photo in job.photos} != {photo.file for photo in contents.survey.photos}:
        raise ArchiveError(
            "the photo patterns in job.toml lead to other photos than survey.json has. Measure again, then archive."
        )


def _same(store: Store, building: Path, record: PackageRecord) -> str | None:
    """The package that holds the same already: the same payload, signed off by the same, on the same lot, and whole.

    Every byte of it is read: who archives again to be sure must not be told that a damaged one is enough.
    """
    stem = name_stem(record.job, record.day)
    payload = _payload_lines(building)
    for name in store.names():
        if name != stem and not name.startswith(f"{stem}-"):
            continue
        try:
            other = read_record(store.package(name))
            same = _payload_lines(store.package(name)) == payload
        except (SillwrightError, OSError, ValueError):
            continue  # damaged: the audit tells of it, and it holds nothing for sure
        if same and _who(other) == _who(record) and not examine(store.package(name)):
            return name
    return None


def _payload_lines(package: Path) -> set[str]:
    lines = read_inside(package, "manifest-sha256.txt").decode("utf-8").splitlines()
    return {line for line in lines if not line.endswith(f"  data/{RECORD}")}


def _who(record: PackageRecord) -> tuple[str, str]:
    return record.lot, record.signed_off.by if record.signed_off else ""


def _free_name(store: Store, stem: str) -> str:
    """A name that no package has, nor had: the log may tell of one that was lost."""
    logged = {entry.name for entry in read_entries(store)}
    name, count = stem, 2
    while name in logged or os.path.lexists(store.package(name)):
        name, count = f"{stem}-{count}", count + 1
    return name


def _keep(building: Path) -> None:
    """Take away the right to write, and have the disk keep every file and name before the package gets its name."""
    for here, _, names in os.walk(building):
        for name in names:
            path = Path(here, name)
            path.chmod(0o444)
            handle = os.open(path, os.O_RDONLY)
            try:
                os.fsync(handle)
            finally:
                os.close(handle)
        sync_folder(Path(here))
    building.chmod(0o755)
