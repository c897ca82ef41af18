"""job.toml: what the crew knows, checked and turned into millimetres and files on disk.

The file is read in two steps: its keys and values by ``job_file``, then what must agree between them (cards,
tapes, corners, photos). Each step gathers every fault it finds and raises one JobError with a sentence for each.
"""

from __future__ import annotations

import os
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Literal

from sillwright.cards import CARD_COUNT, PAPER_THICKNESS_MM
from sillwright.corrections import NOTHING, RunCorrections, by_run
from sillwright.corrections_file import CORRECTIONS, CorrectionsTable, read_corrections
from sillwright.crew_file import job_error, nearest
from sillwright.errors import SillwrightError
from sillwright.fasteners import BoltSize, bolt_size
from sillwright.job_file import (
    DEFAULT_BOLT,
    DEFAULT_PLATE,
    CameraTable,
    JobTable,
    PlateTable,
    read_job_file,
)
from sillwright.job_layout import beside_faults, files_beside, layout_faults
from sillwright.job_measured import changed_faults, measured_parts
from sillwright.job_photos import find_photos, named_photos
from sillwright.job_values import NOMINAL_WIDTH_IN
from sillwright.lengths import MM_PER_INCH


@dataclass(frozen=True)
class Tape:
    """A length taped between the zero marks of two cards."""

    from_card: int
    to_card: int
    length_mm: float


@dataclass(frozen=True)
class RunJob:
    """One run: its photos in natural order, the cards that lie on it (None: not said), its tapes; what was corrected
    by hand."""

    name: str
    photos: tuple[Path, ...]
    cards: tuple[int, ...] | None = None
    line_marks: Literal["outside", "inside"] = "outside"
    tape: tuple[Tape, ...] = ()
    corrections: RunCorrections = NOTHING


@dataclass(frozen=True)
class CornerJob:
    """Photos that show the chalk lines of two runs crossing."""

    runs: tuple[str, str]
    photos: tuple[Path, ...]


@dataclass(frozen=True)
class Job:
    """A checked job. ``card_thickness_mm`` is the height of the printed face above the concrete.

    Photo paths lie in ``folder``. ``stickup_mm``, ``check_length_mm`` and ``profile_path`` are None where not given.
    ``files_beside`` are what the job needs beside the job file, relative to ``folder``: for its plates, and
    corrections.toml where there is one.
    ``measured_parts`` are as :func:`sillwright.job_measured.measured_parts` gives them.
    """

    name: str
    folder: Path
    plate_width_mm: float
    plate_layers: int
    bolt: BoltSize
    stickup_mm: float | None
    card_thickness_mm: float
    check_length_mm: float | None
    profile_path: Path | None
    runs: tuple[RunJob, ...]
    corners: tuple[CornerJob, ...] = ()
    files_beside: tuple[str, ...] = ()
    measured_parts: dict[str, str] = field(default_factory=dict)

    @property
    def photos(self) -> list[Path]:
        """Every photo of its runs and corners, each once."""
        of_runs = [photo for run in self.runs for photo in run.photos]
        return list(dict.fromkeys(of_runs + [photo for corner in self.corners for photo in corner.photos]))

    def photos_of(self, run: str) -> list[Path]:
        """The photos of a run, then those of its corners, each once."""
        of_run = next(one.photos for one in self.runs if one.name == run)
        at_corners = [photo for corner in self.corners if run in corner.runs for photo in corner.photos]
        return list(dict.fromkeys([*of_run, *at_corners]))

    def file_name(self, photo: Path) -> str:
        """How the record names a photo: relative to the job file, with forward slashes."""
        return photo.relative_to(self.folder).as_posix()


def load_job(path: Path, *, only_with_photos: bool = False) -> Job:
    """Read and check a job.toml, and find its photos.

    ``only_with_photos`` leaves out runs and corners that have no photo yet; the record then says by its fingerprints
    that it is not of the whole file, so that no plates are planned from it.

    What lies beside it as corrections.toml is read and checked too. Raises JobError with one sentence for each fault:
    what is wrong, where in the file, and what to do.
    """
    table = read_job_file(path)
    folder = path.parent.resolve()
    faults = [*agreement_faults(table), *beside_faults(table, folder)]
    if only_with_photos:
        table = _with_photos(table, folder)
        if not table.run:
            raise job_error(path, [*faults, "no run has a photo yet. Put the photos of one run in its folder."])
    job = _resolve(table, folder, faults)
    faults += _shared_photo_faults(job)
    if faults:
        raise job_error(path, faults)
    corrections = read_corrections(folder)
    return job if corrections is None else _corrected(job, table, corrections)


def _corrected(job: Job, table: JobTable, corrections: CorrectionsTable) -> Job:
    photos = {run.name: {job.file_name(photo): photo for photo in job.photos_of(run.name)} for run in job.runs}
    each, faults = by_run(corrections, photos)
    if faults:
        raise job_error(job.folder / CORRECTIONS, faults)
    runs = tuple(replace(run, corrections=each[run.name]) for run in job.runs)
    beside = (*job.files_beside, CORRECTIONS)
    return replace(job, runs=runs, files_beside=beside, measured_parts=measured_parts(table, corrections))


def agreement_faults(table: JobTable) -> Iterable[str]:
    """A sentence for each thing the file says against itself; whether its photos are there is not asked."""
    return [*_card_faults(table), *_corner_faults(table), *layout_faults(table)]


def kept_job(
    out: Path,
    measured_with: Mapping[str, str],
    lacks: SillwrightError,
    more: Callable[[JobTable], Iterable[str]] = lambda table: (),
) -> JobTable:
    """The copy of the job file that ``measure`` left in ``out``, checked to be the one that was measured with.

    measured_with : of the record; empty where an old one does not say
    lacks : raised where there is no such file; more : further faults, a sentence each, told with the others
    Raises JobError with a sentence for each fault.
    """
    path = out / "job.toml"
    if not path.is_file():
        raise lacks
    table = read_job_file(path)
    faults = [
        *agreement_faults(table),
        *more(table),
        *changed_faults(dict(measured_with), table, read_corrections(out)),
    ]
    if faults:
        raise job_error(path, faults)
    return table


def job_from_photos(paths: Sequence[Path]) -> Job:
    """A job without a job file, for a quick look: one run named ``run``, and every default.

    Raises JobError where there is no photo, or one is a folder or missing.
    """
    photos = tuple(photo.resolve() for photo in named_photos(paths))
    folder = Path(os.path.commonpath([photo.parent for photo in photos]))
    return Job(
        name=folder.name or "job",
        folder=folder,
        plate_width_mm=NOMINAL_WIDTH_IN[DEFAULT_PLATE] * MM_PER_INCH,
        plate_layers=1,
        bolt=bolt_size(DEFAULT_BOLT),
        stickup_mm=None,
        card_thickness_mm=PAPER_THICKNESS_MM,
        check_length_mm=None,
        profile_path=None,
        runs=(RunJob("run", photos),),
    )


def _resolve(table: JobTable, folder: Path, faults: list[str]) -> Job:
    """The job with its files found; what cannot be found is added to ``faults``."""
    runs = tuple(
        RunJob(
            name=run.name,
            photos=find_photos(folder, run.photos, f'run "{run.name}"', faults),
            cards=run.cards,
            line_marks=run.line_marks,
            tape=tuple(Tape(tape.from_card, tape.to_card, tape.length_mm) for tape in run.tape),
        )
        for run in table.run
    )
    corners = tuple(
        CornerJob(corner.runs, find_photos(folder, corner.photos, f"corner {' and '.join(corner.runs)}", faults))
        for corner in table.corner
    )
    return Job(
        name=table.name,
        folder=folder,
        plate_width_mm=_plate_width_mm(table.plate, faults),
        plate_layers=table.plate.layers,
        bolt=table.bolts.bolt,
        stickup_mm=table.bolts.stickup_mm,
        card_thickness_mm=table.cards.thickness_mm or PAPER_THICKNESS_MM,
        check_length_mm=table.cards.check_length_mm,
        profile_path=_profile_path(table.camera, folder, faults),
        runs=runs,
        corners=corners,
        files_beside=files_beside(table),
        measured_parts=measured_parts(table, None),
    )


def _with_photos(table: JobTable, folder: Path) -> JobTable:
    """The tables less the runs and corners whose patterns match no file at all."""
    runs = tuple(run for run in table.run if find_photos(folder, run.photos, "", []))
    names = {run.name for run in runs}
    corners = tuple(
        corner for corner in table.corner if {*corner.runs} <= names and find_photos(folder, corner.photos, "", [])
    )
    return table.model_copy(update={"run": runs, "corner": corners})


def _plate_width_mm(plate: PlateTable, faults: list[str]) -> float:
    if plate.size is not None and plate.width_mm is not None:
        faults.append("[plate] has both size and width. Keep one.")
    return plate.actual_width_mm


def _profile_path(camera: CameraTable, folder: Path, faults: list[str]) -> Path | None:
    """One profile serves many jobs, so it may lie anywhere; it must be there."""
    if camera.profile is None:
        return None
    profile_path = folder / camera.profile
    if "\x00" in camera.profile or not profile_path.is_file():
        faults.append(f"[camera] profile {camera.profile!r} is not there. Name the file that calibrate wrote.")
    return profile_path


def _card_faults(table: JobTable) -> Iterable[str]:
    run_of_card: dict[int, str] = {}
    names: set[str] = set()
    for run in table.run:
        if run.name in names:
            yield f'two runs are named "{run.name}". Give each its own name.'
        names.add(run.name)
        for card in run.cards or ():
            if card in run_of_card:
                yield (
                    f'card {card} is listed twice, on run "{run_of_card[card]}" and on run "{run.name}". '
                    "A card lies on one run, and is listed once."
                )
            run_of_card[card] = run.name
        for tape in run.tape:
            if tape.from_card == tape.to_card:
                yield f'run "{run.name}": a tape goes from card {tape.from_card} to itself. Name two cards.'
            for card in sorted({tape.from_card, tape.to_card} - set(run.cards or range(1, CARD_COUNT + 1))):
                yield f'run "{run.name}": a tape names card {card}, which is not among the run\'s cards.'


def _corner_faults(table: JobTable) -> Iterable[str]:
    names = [run.name for run in table.run]
    seen: set[frozenset[str]] = set()
    for corner in table.corner:
        for name in corner.runs:
            if name not in names:
                yield f'a corner names run "{name}", which the file does not have.{nearest(name, names)}'
        pair = frozenset(corner.runs)
        if len(pair) == 1:
            yield f'a corner names run "{corner.runs[0]}" twice. A corner joins two runs.'
        if pair in seen:
            yield f"the corner of {' and '.join(corner.runs)} is given twice. Put its photos in one [[corner]]."
        seen.add(pair)


def _shared_photo_faults(job: Job) -> Iterable[str]:
    """Two runs may share a photo where each says which cards are its own, or where a corner of the two claims it."""
    told = {run.name for run in job.runs if run.cards}
    claimed = {(photo, frozenset(corner.runs)) for corner in job.corners for photo in corner.photos}
    first_run: dict[Path, str] = {}
    for run in job.runs:
        for photo in run.photos:
            other = first_run.setdefault(photo, run.name)
            if (
                other != run.name
                and not {other, run.name} <= told
                and (photo, frozenset((other, run.name))) not in claimed
            ):
                yield (
                    f'photo {job.file_name(photo)} is in run "{other}" and in run "{run.name}". Keep it in one, '
                    "list the cards of each run, or list the photo in a [[corner]] of the two."
                )
