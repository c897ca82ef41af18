"""Phone profiles for a job to choose from, and one that is sent: they lie in ``FOLDER/profiles``, in FOLDER or in the
job's own folder, and a job names one by its path from there."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

from pydantic import ValidationError

from sillwright.errors import JobError
from sillwright.profile import MAX_FILE_BYTES, Profile, read_profile
from sillwright.tell.report import file_names
from sillwright.whole_file import write_aside

PROFILES = "profiles"
_MOST_LOOKED_AT = 200


@dataclass(frozen=True)
class Choice:
    """A profile: its path from a job's folder, and what it is of."""

    path: str
    phone: str


def profiles_for(folder: Path, job: Path | None, named: str = "") -> tuple[Choice, ...]:
    """The profiles that a job in ``folder`` may choose; ``named`` is the one that it names now, wherever that lies."""
    found = [
        *_in(folder / PROFILES, f"../{PROFILES}/"),
        *_in(folder, "../"),
        *(_in(job, "") if job is not None else ()),
    ]
    if named and named not in {one.path for one in found}:
        found.insert(0, Choice(named, ""))
    return tuple(found)


def keep_profile(folder: Path, content: bytes) -> str | None:
    """Keep a profile that was sent; its path from a job's folder. None where it is no profile.

    The same one again is not kept twice, and none is written over.
    """
    if len(content) > MAX_FILE_BYTES:
        return None
    try:
        profile = Profile.model_validate_json(content)
    except (ValidationError, RecursionError):
        return None
    plain = next(iter(file_names([_phone(profile) or "phone"]).values())).lower()
    for count in range(1, 1000):
        path = folder / PROFILES / f"{plain if count == 1 else f'{plain}-{count}'}.json"
        if path.exists() and path.read_bytes() != content:
            continue
        write_aside(path, content)
        return f"../{PROFILES}/{path.name}"
    return None


def _in(folder: Path, before: str) -> Iterator[Choice]:
    if not folder.is_dir():
        return
    for path in sorted(folder.glob("*.json"))[:_MOST_LOOKED_AT]:
        try:
            if path.is_file() and path.resolve().is_relative_to(folder.resolve()):
                yield Choice(f"{before}{path.name}", _phone(read_profile(path)))
        except JobError:
            continue


def _phone(profile: Profile) -> str:
    """Which phone and lens it is of, as the photos told."""
    lens = f"{profile.focal_35mm:g} mm" if profile.focal_35mm else ""
    return " ".join(part for part in (profile.make, profile.model, lens) if part)
