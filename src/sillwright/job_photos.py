"""Which files are meant: by a job's photo patterns, in its folder and natural order, or named one by one; each once."""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Callable, Sequence
from functools import cache
from pathlib import Path, PurePosixPath, PureWindowsPath

from sillwright.errors import JobError

LEFT_OUT = "left-out"  # a folder beside photos, for those that are not to be measured from
MOST_PHOTOS = 2000  # a pattern that matches more has caught a whole disk


def find_photos(folder: Path, patterns: Sequence[str], owner: str, faults: list[str]) -> tuple[Path, ...]:
    """The files that ``patterns`` match in ``folder``, naturally sorted.

    ``folder`` is absolute and resolved. ``owner`` is who asks, for the sentences added to ``faults``: a pattern that
    leaves the folder, or matches nothing.
    """
    found: dict[Path, None] = {}
    inside = _inside_of(folder)
    for pattern in patterns:
        problem = _unsafe(pattern)
        matches = [] if problem else _matches(folder, pattern)
        if not problem and not matches:
            problem = f"matches no file.{_what_is_there(folder, pattern)}"
        outside = next((match for match in matches if not inside(match)), None)
        if outside is not None:
            problem = f"leads out of the job's folder through {outside.name}. Copy the photos into the folder."
        if len(matches) > MOST_PHOTOS:
            problem = f"matches more than {MOST_PHOTOS} files. Narrow it."
        if problem:
            faults.append(f'{owner}: photo pattern "{pattern}" {problem}')
        else:
            found.update(dict.fromkeys(matches))
    depth = len(folder.parts)
    return tuple(sorted(found, key=lambda photo: natural_key("/".join(photo.parts[depth:]))))


def named_photos(paths: Sequence[Path]) -> tuple[Path, ...]:
    """Photos somebody named one by one, each file once, in the order named.

    Raises JobError, with a sentence for each fault, where there is none, or one is a folder or is not there.
    """
    once = {path.resolve(): path for path in reversed(paths)}
    photos = tuple(path for path in paths if once.get(path.resolve()) is path)
    if not photos:
        raise JobError("no photo was named. Name at least one.")
    faults = [
        f"{photo} is a folder. Name the photos in it, like {photo / '*.jpg'}."
        if photo.is_dir()
        else f"{photo} is not there. Check its name."
        for photo in photos
        if not photo.is_file()
    ]
    if faults:
        raise JobError("\n".join(faults))
    return photos


def natural_key(text: str) -> tuple[tuple[int, int | str], ...]:
    """Sort key that puts ``photo 9`` before ``photo 10``, whatever the case of the letters."""
    parts = re.split(r"(\d+)", text.casefold(), flags=re.ASCII)
    numbered = tuple((0, int(part)) if index % 2 else (1, part) for index, part in enumerate(parts) if part)
    return (*numbered, (2, text))


def _unsafe(pattern: str) -> str:
    if not pattern.strip() or "\x00" in pattern:
        return "is empty. Write which photos, like north/*.jpg."
    if "\\" in pattern:
        return "has a backslash. Write folders with /, like north/*.jpg."
    if PurePosixPath(pattern).is_absolute() or PureWindowsPath(pattern).drive:
        return "starts at the root of a disk. Write it relative to the job file, like north/*.jpg."
    if ".." in PurePosixPath(pattern).parts:
        return "leaves the job's folder by .. . Copy the photos into the folder."
    return ""


def _inside_of(folder: Path) -> Callable[[Path], bool]:
    """Whether a file lies in the folder, links followed. Folders are followed once, and files only where they are
    links: a run may have hundreds of photos, and the page asks for them all the time."""

    @cache
    def is_in(parent: Path) -> bool:
        return parent.resolve().is_relative_to(folder)

    def is_inside(file: Path) -> bool:
        return is_in(file.parent) and (not file.is_symlink() or file.resolve().is_relative_to(folder))

    return is_inside


def _matches(folder: Path, pattern: str) -> list[Path]:
    """Files only; names that start with a dot are what systems leave beside photos (``._0001.jpg``), never photos. What
    lies in a folder ``left-out`` was left out, unless the pattern itself names that folder."""
    names_left_out = LEFT_OUT in PurePosixPath(pattern).parts
    depth = len(folder.parts)
    try:
        matches = []
        for match in folder.glob(pattern):
            is_left_out = not names_left_out and LEFT_OUT in match.parts[depth:]
            if not match.name.startswith(".") and not is_left_out and match.is_file():
                matches.append(match)
            if len(matches) > MOST_PHOTOS:
                break
    except (ValueError, OSError, NotImplementedError):
        return []
    return matches


def _what_is_there(folder: Path, pattern: str) -> str:
    """What the pattern's own folder holds, so that .JPG for .jpg or a misspelt folder is seen at once."""
    parent = folder / PurePosixPath(pattern).parent
    try:
        if not parent.is_dir():
            return "" if "*" in str(parent) else f" There is no folder {PurePosixPath(pattern).parent}."
        endings = Counter(entry.suffix for entry in parent.iterdir() if entry.is_file() and entry.suffix)
    except (ValueError, OSError):
        return ""
    if not endings:
        return " That folder holds no photos."
    held = ", ".join(f"{count} {ending}" for ending, count in endings.most_common(3))
    return f" That folder holds {held}; capital letters matter."
