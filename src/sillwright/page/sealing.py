"""A job sealed as the command does, into ``FOLDER/as-built``."""

from __future__ import annotations

from pathlib import Path

from sillwright.archive.audit import audit_store
from sillwright.archive.catalogue import catalogue, refresh
from sillwright.archive.contents import read_contents
from sillwright.archive.keep import keep
from sillwright.archive.store import make_store
from sillwright.errors import SillwrightError
from sillwright.page.folder import AS_BUILT, JobFolder
from sillwright.tell.archive_words import audit_closing, audit_lines, not_told_lines


def seal_job(folder: Path, job: JobFolder, signed_off: str) -> str:
    """Seal what was measured of a job, with its photos and all that lies in ``out``; what came of it, in lines.

    Raises an error of this package where something is missing, or is not what was measured; then nothing was sealed.
    """
    contents = read_contents(job.out, job.path, job.path)
    store = make_store(folder / AS_BUILT)
    kept = keep(store, contents, signed_off=signed_off)
    how = "Sealed" if kept.sealed.is_new else "Sealed before, and left as it is"
    lines = [f"{how}: {kept.sealed.name}, {len(contents.files)} files.", *not_told_lines(contents.not_told)]
    try:
        with catalogue(store) as connection:
            lines += refresh(connection, store)
        audit = audit_store(store, workers=1)
        lines += [*audit_lines(audit), audit_closing(audit)]
    except SillwrightError as fault:  # it is sealed, and that is to be told first
        lines.append(str(fault))
    return "\n".join(lines)
