"""The jobs on disk: which there are, their runs and corners, their photos, and where a new photo goes.

FOLDER holds a folder a job, with its job.toml, its photos where that says, and what was measured in ``out``: the same
files that the commands read and write. No name that comes from outside becomes a path: a job, a run or a photo is
looked up among those that are there.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from fnmatch import fnmatchcase
from pathlib import Path, PurePosixPath
from typing import Literal

from sillwright.crew_file import job_error
from sillwright.errors import JobError
from sillwright.job import agreement_faults
from sillwright.job_file import JobTable, read_job_file
from sillwright.job_photos import LEFT_OUT, find_photos
from sillwright.page.refusal import Refusal
from sillwright.tell.report import file_names
from sillwright.whole_file import write_aside

OUT = "out"
AS_BUILT = "as-built"  # the store of sealed packages, beside the jobs
BEFORE = "job-before.toml"  # a job file as it was before the page changed it
MOST_JOBS = 500
_TAKEN = (AS_BUILT, "profiles")  # folders that are no jobs
_ENDINGS = {"JPEG": (".jpg", ".jpeg"), "HEIC": (".heic", ".heif"), "PNG": (".png",), "TIFF": (".tif", ".tiff")}
_LONGEST_NUMBER = 12


@dataclass(frozen=True)
class Place:
    """Where photos belong: a run, or a corner of two. ``key`` stands in addresses."""

    key: str
    kind: Literal["run", "corner"]
    runs: tuple[str, ...]
    patterns: tuple[str, ...]


@dataclass(frozen=True)
class JobFolder:
    """One job. ``name`` is its folder's; ``table`` is None where job.toml cannot be used, and ``fault`` says why."""

    name: str
    path: Path
    table: JobTable | None
    fault: str = ""

    def told(self, fault: Exception) -> str:
        """What is wrong, with the files of the job named from its own folder: phones need not know where that lies."""
        return str(fault).replace(f"{self.path}/", "")

    @property
    def job_file(self) -> Path:
        """Its job.toml."""
        return self.path / "job.toml"

    @property
    def out(self) -> Path:
        """What was measured."""
        return self.path / OUT

    @property
    def title(self) -> str:
        """What people call the job."""
        return self.table.name if self.table is not None else self.name

    @property
    def places(self) -> tuple[Place, ...]:
        """Its runs, then its corners."""
        if self.table is None:
            return ()
        named: list[tuple[tuple[str, ...], tuple[str, ...]]] = [((run.name,), run.photos) for run in self.table.run]
        named += [(corner.runs, corner.photos) for corner in self.table.corner]
        titles = [" and ".join(runs) for runs, _ in named]
        keys = file_names([f"{number} {title}" for number, title in enumerate(titles, start=1)])
        return tuple(
            Place(key, "corner" if len(runs) == 2 else "run", runs, patterns)
            for key, (runs, patterns) in zip(keys.values(), named, strict=True)
        )


def jobs_in(folder: Path) -> tuple[JobFolder, ...]:
    """Every job in FOLDER, in the order of names; hidden folders, and links that lead out of it, are passed over."""
    names = sorted(entry.name for entry in folder.iterdir() if _is_job(folder, entry))
    return tuple(_read(folder / name) for name in names[:MOST_JOBS])


def job_named(folder: Path, name: str) -> JobFolder:
    """The job of that folder name. Raises Refusal where there is none."""
    if name not in {entry.name for entry in folder.iterdir() if _is_job(folder, entry)}:
        raise Refusal(404, "no_job")
    return _read(folder / name)


def place_of(job: JobFolder, key: str) -> Place:
    """The run or corner of that key. Raises Refusal where there is none."""
    for place in job.places:
        if place.key == key:
            return place
    raise Refusal(404, "no_place")


def photos_of(job: JobFolder, place: Place) -> tuple[Path, ...]:
    """The photos of a run or corner, in natural order; none where it has none yet."""
    return find_photos(job.path.resolve(), place.patterns, "", [])


def left_out_of(job: JobFolder, place: Place) -> tuple[Path, ...]:
    """The photos that were taken out of a run or corner: they lie in a folder of that name beside its others."""
    beside = (PurePosixPath(pattern) for pattern in place.patterns)
    patterns = [str(one.parent / LEFT_OUT / one.name) for one in beside if LEFT_OUT not in one.parts]
    return find_photos(job.path.resolve(), patterns, "", [])


def landing(job: JobFolder, place: Place, phone_name: str, kind: str) -> Path:
    """A free path for a new photo of that kind (as ``photo_bytes.sniff_format`` says), in the first pattern that takes
    it: a name of our own with the number the phone gave. Its folder may not be there yet.

    Raises Refusal where no pattern of the place takes such a file.
    """
    root = job.path.resolve()
    numbers = re.findall(r"\d+", PurePosixPath(phone_name).name, flags=re.ASCII)
    number = numbers[-1][-_LONGEST_NUMBER:] if numbers else "1"
    for pattern in place.patterns:
        folder = (root / PurePosixPath(pattern).parent).resolve()
        name_pattern = PurePosixPath(pattern).name
        if re.search(r"[*?\[\\]", str(PurePosixPath(pattern).parent)) or not folder.is_relative_to(root):
            continue
        for count in range(1, 1000):
            core = number if count == 1 else f"{number}-{count}"
            name = _fitting(name_pattern, core, kind)
            if name is None:
                break
            if not (folder / name).exists() and not (folder / LEFT_OUT / name).exists():
                return folder / name
    raise Refusal(409, "pattern", patterns=", ".join(place.patterns), kind=kind)


def make_job(folder: Path, title: str, content: bytes) -> str:
    """Write a new job's folder and its job.toml; the folder's name. Raises JobError where there is no name left."""
    plain = next(iter(file_names([title]).values())).lower()
    for count in range(1, 1000):
        name = plain if count == 1 else f"{plain}-{count}"
        if name in _TAKEN:
            continue
        try:
            (folder / name).mkdir()
        except FileExistsError:
            continue
        write_aside(folder / name / "job.toml", content)
        return name
    raise JobError(f"there are too many jobs named {title}. Choose another name.")


def change_job(job: JobFolder, content: bytes) -> None:
    """Write a job's file anew; the earlier one is kept beside it as job-before.toml."""
    write_aside(job.path / BEFORE, job.job_file.read_bytes())
    write_aside(job.job_file, content)


def _is_job(folder: Path, entry: Path) -> bool:
    return (
        not entry.name.startswith(".")
        and (entry / "job.toml").is_file()
        and entry.resolve().is_relative_to(folder.resolve())
    )


def _read(path: Path) -> JobFolder:
    try:
        table = read_job_file(path / "job.toml")
        faults = [*agreement_faults(table)]
        if faults:
            raise job_error(path / "job.toml", faults)
    except JobError as fault:
        return JobFolder(path.name, path, None, str(fault).replace(f"{path}/", ""))
    return JobFolder(path.name, path, table)


def _fitting(pattern: str, core: str, kind: str) -> str | None:
    """A file name with ``core`` in it that the last part of a photo pattern matches and that ends as the kind does."""
    if "*" not in pattern or re.search(r"[?\[]", pattern):
        return None
    filled = pattern.replace("*", f"photo-{core}" if pattern.startswith("*") else core, 1).replace("*", "")
    for ending in _ENDINGS[kind]:
        for name in (filled, f"{filled.rstrip('.')}{ending}", f"{filled.rstrip('.')}{ending.upper()}"):
            if PurePosixPath(name).suffix.lower() == ending and fnmatchcase(name, pattern):
                return name
    return None
