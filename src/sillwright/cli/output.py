"""What commands say before any work is done: of where they are to write, and of files named twice.

What is wrong with a name given with ``-o`` is told before any work is done, and ends with status 2 as the rest of a
command line does; a write that fails after that ends with status 1.
"""

from __future__ import annotations

import errno
import os
import unicodedata
from collections import Counter
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path

import click

MAKE_ROOM = "Make room on that disk, then do it again; what was there is as it was."


def is_full(fault: OSError) -> bool:
    """Whether a write failed for want of room, on the disk or in what a user may have of it."""
    return fault.errno in (errno.ENOSPC, errno.EDQUOT)


def printable(_: click.Context, __: click.Parameter, value: str) -> str:
    """Refuse words about a job that are no text, or that steer a terminal: they are to be kept and looked for."""
    if any(unicodedata.category(letter) in ("Cc", "Cs") for letter in value):
        raise click.BadParameter("it has a letter in it that cannot be printed. Write it anew.")
    return value


@contextmanager
def writing(output: Path, kind: str = "place", option: str = "-o") -> Iterator[None]:
    """Tell a write that fails as a sentence about ``output``; ``kind`` is what ``option`` names."""
    try:
        yield
    except OSError as fault:
        reason = fault.strerror or fault
        to_do = MAKE_ROOM if is_full(fault) else f"Choose another {kind} with {option}."
        raise click.ClickException(f"{output} cannot be written ({reason}). {to_do}") from fault


def check_file(output: Path, suffix: str, what: str, is_one: Callable[[Path], bool], example: str) -> None:
    """Refuse a file to write that has the wrong ending, or is there already and is not ``what`` (``is_one`` tells).

    A shell turns ``-o *.jpg`` into a photo's name behind ``-o``: without this the photo would be written over.
    """
    if output.suffix.lower() != suffix:
        raise click.UsageError(
            f"-o names {output}, which does not end in {suffix}. Write the name of the {what} to make right behind "
            f"-o, like -o {example}."
        )
    if output.is_dir():
        raise click.UsageError(f"-o names {output}, which is a folder. Name a file, like -o {example}.")
    if output.exists() and not is_one(output):
        raise click.UsageError(
            f"{output} is there already and is not a {what}, so it is left as it is. Choose another name with -o."
        )
    _check_place(output.parent, "place")


def check_folder(output: Path, to_write: Sequence[Path], is_earlier: bool, kept: Sequence[Path]) -> None:
    """Refuse a folder where a measurement would write over something no measurement made, then make it.

    to_write : every file that will be written; is_earlier : whether an earlier measurement wrote in the folder
    kept : photos and other files that must not be written over in any case
    """
    from sillwright.job_output import first_clash

    clash = first_clash(to_write, kept, is_earlier)
    if clash is not None:
        raise click.UsageError(f"{clash.path} {_CLASHES[clash.stands_there]}")
    _check_place(output, "folder")
    try:
        output.mkdir(parents=True, exist_ok=True)
    except OSError as fault:
        raise click.UsageError(_cannot_write(output, fault.strerror or str(fault), "folder")) from fault


def tell_of_repeats(photos: Sequence[Path]) -> None:
    """Say on standard error which photos the command line names more than once."""
    count = Counter(photo.resolve() for photo in photos)
    for photo in dict.fromkeys(photo for photo in photos if count[photo.resolve()] > 1):
        click.echo(f"{photo} is named {count[photo.resolve()]} times, and counts once.", err=True)


_ELSEWHERE = "Choose another folder with -o, such as a new one."
_CLASHES = {
    "folder": "is a folder where a file is to go. Choose another folder with -o.",
    "source": f"is a file this job is made from, and would be lost. {_ELSEWHERE}",
    "foreign": f"is there already, and no measurement wrote it. {_ELSEWHERE}",
}


def _check_place(folder: Path, kind: str) -> None:
    """Refuse a folder that cannot be written in, or cannot be made."""
    there = next((one for one in (folder, *folder.absolute().parents) if one.exists()), folder)
    if not there.is_dir():
        raise click.UsageError(_cannot_write(folder, f"{there} is a file, not a folder", kind))
    if not os.access(there, os.W_OK):
        raise click.UsageError(_cannot_write(folder, f"no permission to write in {there}", kind))


def _cannot_write(place: Path, reason: str, kind: str) -> str:
    return f"{place} cannot be written ({reason}). Choose another {kind} with -o."
