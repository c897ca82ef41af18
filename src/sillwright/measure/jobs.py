"""A whole job: every photo looked at, every run solved, every corner crossed, one record."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from functools import partial
from pathlib import Path

import numpy as np

from sillwright import __version__
from sillwright.candidates import Candidate
from sillwright.corrections_file import CORRECTIONS
from sillwright.crew_file import job_error
from sillwright.environment import library_versions
from sillwright.errors import PhotoError
from sillwright.job import Job
from sillwright.measure.candidates import candidates_of, with_marks
from sillwright.measure.corner import RunPlace, doubted, measure_corner
from sillwright.measure.lenses import LensOfPhoto, lens_for
from sillwright.measure.misfit import misfits
from sillwright.measure.other_size import other_size, shows_no_bolt
from sillwright.measure.record import camera_record, marks, view_record
from sillwright.measure.runs import LaidRun, RunResult, SearchedRun, correction_faults, finish_run, lay_run, search_run
from sillwright.measure.shared_bolts import once_each
from sillwright.measure.work import CardsSeen, Crew, look_for_cards
from sillwright.photo import PHOTOS_KEPT
from sillwright.profile import read_profile
from sillwright.sums import sha256_of
from sillwright.survey import CornerRecord, Finding, PhotoRecord, RunRecord, Status, Survey, worst

Progress = Callable[[str, int, int], None]
"""Called with what is being done, how much of it is done, and how much there is."""

Considered = Callable[[tuple[Candidate, ...]], None]
"""Called once with every place that was considered for a bolt."""

BLURRED_PX = 2.6  # blur sigma on card edges; corners keep their place to there, bolts' edges begin to melt
DARK, BRIGHT = 28.0, 232.0  # mean grey level of the photo
PAST_CORNER_MM = 30.0


@dataclass(frozen=True)
class _Sight:
    """Everything seen in the first pass: photos by path, their record names, and their lenses."""

    seen: Mapping[Path, CardsSeen]
    names: Mapping[Path, str]
    lenses: Mapping[Path, LensOfPhoto]
    duplicates: Mapping[Path, Path]
    profile_sha256: str


def measure_job(
    job: Job, *, workers: int = 1, progress: Progress | None = None, considered: Considered | None = None
) -> Survey:
    """Measure every run and corner of a job.

    Parameters
    ----------
    workers : processes to share photos out to; 1 keeps all in this one
    progress : called as the work goes on
    considered : called at the end with what became of every place that might have been a bolt

    Raises PhotoError where not one photo could be read, JobError where the phone profile cannot, or where something in
    corrections.toml meets nothing: what a person said must not get lost.
    """
    with Crew(workers) as crew:
        sight = _look(job, crew, progress)
        usable = [photo for photo in sight.seen.values() if photo.facts is not None]
        if not usable:
            faults = "\n".join(photo.fault for photo in sight.seen.values())
            raise PhotoError(f"Not one photo could be read.\n{faults}")
        laid: dict[str, LaidRun | RunResult] = {}
        for run in job.runs:
            one = lay_run(job, run, _photos_of(job, run.name, sight), sight.lenses, sight.names, crew)
            laid[run.name] = one
            if isinstance(one, LaidRun):
                sight = replace(sight, lenses=one.lenses)
        standing = {name: one for name, one in laid.items() if isinstance(one, LaidRun)}
        corners = _corners(job, standing, sight)
        searched: dict[str, SearchedRun] = {}
        for done, (name, one) in enumerate(standing.items()):
            if progress is not None:
                progress("measuring runs", done, len(standing))
            within_mm = _within(one, corners, job.plate_width_mm)
            found = search_run(job, one, within_mm, crew, corrections=one.run.corrections)
            if shows_no_bolt(found):
                found = replace(found, other_size=other_size(job, found, within_mm, crew))
            searched[name] = found
        if progress is not None:
            progress("measuring runs", len(standing), len(standing))
    _refuse_unmet(job, laid, searched)
    sizes = [size for found in searched.values() for size in found.sizes]
    poor = {one.block.photos[i] for one in standing.values() for i in misfits(one.block)}
    results = {
        name: one if isinstance(one, RunResult) else finish_run(job, searched[name], sizes, poor, sight.names)
        for name, one in laid.items()
    }
    results = {name: _with_poor_photos(result, sight) for name, result in results.items()}
    corners = [doubted(corner, [results[name].record for name in corner.runs]) for corner in corners]
    runs = _marked(once_each(list(results.values()), corners))
    if considered is not None:
        considered(with_marks(_candidates(searched, results, sight.names), runs))
    return Survey(
        name=job.name,
        runs=runs,
        corners=tuple(corners),
        photos=tuple(_photo_record(job, path, sight, results) for path in sight.seen),
        software=f"sillwright {__version__}",
        made_from="photos",
        measured_with=job.measured_parts,
        libraries=library_versions(),
        profile_sha256=sight.profile_sha256,
    )


def _refuse_unmet(job: Job, laid: Mapping[str, LaidRun | RunResult], searched: Mapping[str, SearchedRun]) -> None:
    """Raise JobError with a sentence for each correction by hand that meets nothing."""
    unmet = [fault for name, one in laid.items() for fault in correction_faults(job, name, one, searched)]
    if unmet:
        raise job_error(job.folder / CORRECTIONS, unmet)


def _candidates(
    searched: Mapping[str, SearchedRun], results: Mapping[str, RunResult], names: Mapping[Path, str]
) -> list[Candidate]:
    """Every place of every run that was considered for a bolt."""
    every: list[Candidate] = []
    for name, found in searched.items():
        result = results[name]
        kept = [(one.found.fit.parameters, (*one.doubts, *one.notes)) for one in found.bolts]
        every += candidates_of(name, result.poses, names, kept, found.dropped, result.y_sign)
    return every


def _look(job: Job, crew: Crew, progress: Progress | None) -> _Sight:
    paths = job.photos
    count = 0

    def tick() -> None:
        nonlocal count
        count += 1
        if progress is not None:
            progress("looking at photos", count, len(paths))

    if progress is not None:
        progress("looking at photos", 0, len(paths))
    look = partial(look_for_cards, few=len(paths) <= PHOTOS_KEPT)
    seen = {photo.path: photo for photo in crew.share_out(look, paths, tick)}
    names = {path: job.file_name(path) for path in paths}
    profile = read_profile(job.profile_path) if job.profile_path is not None else None
    profile_sha256 = sha256_of(job.profile_path) if job.profile_path is not None else ""
    first: dict[str, Path] = {}
    duplicates: dict[Path, Path] = {}
    for path, photo in seen.items():
        if photo.facts is not None:
            original = first.setdefault(photo.facts.sha256, path)
            if original != path:
                duplicates[path] = original
    lenses = {
        path: lens_for(photo, profile, names[path], job) for path, photo in seen.items() if photo.facts is not None
    }
    return _Sight(seen, names, lenses, duplicates, profile_sha256)


def _photos_of(job: Job, run: str, sight: _Sight) -> list[CardsSeen]:
    """A run's photos, and those of its corners, readable ones, each once."""
    paths = [p for p in job.photos_of(run) if p not in sight.duplicates]
    return [sight.seen[p] for p in paths if sight.seen[p].facts is not None]


def _corners(job: Job, laid: Mapping[str, LaidRun], sight: _Sight) -> list[CornerRecord]:
    places = {name: RunPlace(name, one.stations_mm, one.poses, one.traces) for name, one in laid.items()}
    usable = [photo for photo in sight.seen.values() if photo.facts is not None and photo.path not in sight.duplicates]
    return [measure_corner(c, usable, places, job, sight.lenses, sight.names) for c in job.corners]


def _within(laid: LaidRun, corners: Sequence[CornerRecord], plate_width_mm: float) -> tuple[float, float]:
    """Between which stations a run's bolts stand: to its corners, and a plate's width past them."""
    low, high = -np.inf, np.inf
    stations = list(laid.stations_mm.values())
    for corner in corners:
        at = corner.station_mm.get(laid.run.name)
        if at is None:
            continue
        if float(np.mean(stations)) > at:
            low = max(low, at - plate_width_mm - PAST_CORNER_MM)
        else:
            high = min(high, at + plate_width_mm + PAST_CORNER_MM)
    return low, high


def _marked(runs: Sequence[RunRecord]) -> tuple[RunRecord, ...]:
    """Every bolt's mark: the run's letter and its number along the run."""
    prefixes = marks([run.name for run in runs])
    return tuple(
        replace(
            run,
            bolts=tuple(replace(bolt, mark=f"{prefixes[run.name]}{i}") for i, bolt in enumerate(run.bolts, start=1)),
        )
        for run in runs
    )


def _photo_record(job: Job, path: Path, sight: _Sight, results: Mapping[str, RunResult]) -> PhotoRecord:
    photo, name = sight.seen[path], sight.names[path]
    if photo.facts is None:
        return PhotoRecord(name, False, "reshoot", (Finding("unreadable", (name,)),))
    findings: list[Finding] = []
    if path in sight.duplicates:
        findings.append(Finding("duplicate", (name, sight.names[sight.duplicates[path]])))
    camera, views = None, []
    for run_name, result in results.items():
        if path in result.poses:
            camera, pose = result.poses[path]
            views.append(view_record(run_name, pose, result.y_sign))
        findings.extend(result.photo_findings.get(path, ()))
    if views:
        findings = [f for f in findings if f.code not in ("not-joined", "no-cards")]
    elif not findings:
        findings.append(Finding("no-cards", (name,)))
    if shows_no_card_of_its_runs(job, photo) and all(f.code != "other-run" for f in findings):
        findings.append(Finding("other-run", (name,), tuple(sorted(photo.cards))))
    if photo.mirrored:
        findings = [f for f in findings if f.code != "no-cards"] + [Finding("mirrored", (name,))]
    if photo.twice:
        findings.append(Finding("card-duplicate", (name,), photo.twice))
    findings.extend(exposure_findings(photo, name))
    findings.extend(sight.lenses[path].findings)
    used = bool(views) and path not in sight.duplicates
    status: Status = "reshoot" if not used else worst(*("check" if _matters(f) else "ok" for f in findings))
    return PhotoRecord(
        file=name,
        used=used,
        status=status,
        reasons=tuple(dict.fromkeys(findings)),
        sha256=photo.facts.sha256,
        orientation=photo.facts.orientation,
        cards=tuple(sorted(photo.cards)),
        camera=camera_record(camera) if camera is not None else None,
        views=tuple(views),
    )


def shows_no_card_of_its_runs(job: Job, photo: CardsSeen) -> bool:
    """Whether a photo shows cards, but none that lies on a run it is listed for, by itself or by a corner.

    A chain of cards may join such a photo to a run all the same.
    """
    own: set[int] = set()
    corners = {name for corner in job.corners if photo.path in corner.photos for name in corner.runs}
    for run in job.runs:
        if photo.path in run.photos or run.name in corners:
            if run.cards is None:
                return False
            own.update(run.cards)
    return bool(photo.cards) and not own & set(photo.cards)


def _matters(finding: Finding) -> bool:
    """Whether a finding about a used photo is worth a second look; a lens in doubt only widens intervals."""
    return finding.code not in ("lens-unknown", "turned-unsure")


def _with_poor_photos(result: RunResult, sight: _Sight) -> RunResult:
    """A run some of whose photos are too poor to show every bolt: what stands in them only may have been missed."""
    poor = tuple(
        sight.names[path]
        for path in result.poses
        if any(f.code == "too-coarse" for f in result.photo_findings.get(path, ()))
        or exposure_findings(sight.seen[path], sight.names[path])
    )
    record = result.record
    if not poor:
        return result
    status = worst(record.status, "check")
    return replace(
        result, record=replace(record, status=status, reasons=(*record.reasons, Finding("photos-poor", poor)))
    )


def exposure_findings(photo: CardsSeen, name: str) -> list[Finding]:
    """What is to be said of a photo's sharpness and light."""
    findings = []
    if photo.sharpness > BLURRED_PX:
        findings.append(Finding("blurred", (name,)))
    if photo.brightness < DARK:
        findings.append(Finding("too-dark", (name,)))
    if photo.brightness > BRIGHT:
        findings.append(Finding("too-bright", (name,)))
    return findings
