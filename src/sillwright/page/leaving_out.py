"""A bad photo taken out of a run, and put back: its file is moved into a folder ``left-out`` beside the others.

No pattern of the job file finds it there, for the page or the commands. Nothing is deleted or measured again.
"""

from __future__ import annotations

from pathlib import Path

from sillwright.corrections_file import read_corrections
from sillwright.errors import JobError
from sillwright.job_photos import LEFT_OUT
from sillwright.page import queue, uploads
from sillwright.page.folder import JobFolder, Place, left_out_of, photos_of
from sillwright.page.refusal import Refusal
from sillwright.page.store import Store


def leave_out(store: Store, job: JobFolder, place: Place, name: str) -> None:
    """Take a photo out of a run or corner, and of whatever else has it. ``name`` is relative to the job's folder.

    Raises Refusal where the place has no such photo, something was marked in it by hand, or the job is at work.
    """
    with uploads.finishing:
        photo = _named(job, photos_of(job, place), name)
        _check_idle(store, job)
        if name in _corrected(job):
            raise Refusal(409, "left_out_corrected")
        _move(photo, photo.parent / LEFT_OUT / photo.name)


def put_back(store: Store, job: JobFolder, place: Place, name: str) -> None:
    """Put a photo back that was taken out. Raises Refusal as :func:`leave_out` does."""
    with uploads.finishing:
        photo = _named(job, left_out_of(job, place), name)
        _check_idle(store, job)
        _move(photo, photo.parent.parent / photo.name)


def _named(job: JobFolder, photos: tuple[Path, ...], name: str) -> Path:
    root = job.path.resolve()
    for photo in photos:
        if photo.relative_to(root).as_posix() == name:
            return photo
    raise Refusal(404, "no_photo")


def _check_idle(store: Store, job: JobFolder) -> None:
    """What is measured or sealed now reads the photos that there were when it began."""
    if queue.is_at_work(store, job.name):
        raise Refusal(409, "at_work")


def _corrected(job: JobFolder) -> set[str]:
    """The photos in which something was marked by hand: without one of them the job could not be read."""
    try:
        corrections = read_corrections(job.path)
    except JobError as fault:
        raise Refusal(409, "leaving_corrections", said=job.told(fault)) from None
    if corrections is None:
        return set()
    return {entry.photo for entry in corrections.bolt} | {entry.photo for entry in corrections.line}


def _move(photo: Path, target: Path) -> None:
    if target.exists():
        raise Refusal(409, "name_taken", photo=target.name)
    try:
        target.parent.mkdir(exist_ok=True)
        photo.rename(target)
    except OSError as fault:
        raise Refusal(507, "not_moved") from fault
