"""A whole job: every photo looked at, every run solved, every corner crossed, one record."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

from sillwright import __version__
from sillwright.errors import MeasureError
from sillwright.job import Job
from sillwright.measure.block import LensOfPhoto, lens_for
from sillwright.measure.corner import RunPlace, measure_corner
from sillwright.measure.record import camera_record, marks, view_record
from sillwright.measure.runs import RunResult, measure_run
from sillwright.measure.work import CardsSeen, Crew, look_for_cards
from sillwright.profile import read_profile
from sillwright.survey import CornerRecord, Finding, PhotoRecord, RunRecord, Status, Survey, worst

Progress = Callable[[str, int, int], None]
"""Called with what is being done, how much of it is done, and how much there is."""

BLURRED_PX = 2.6  # blur sigma on card edges; corners keep their place to there, bolts' edges begin to melt
DARK, BRIGHT = 28.0, 232.0  # mean grey level of the photo
RESHOOT_CODES = {"unreadable", "no-cards", "not-joined", "duplicate"}


@dataclass(frozen=True)
class _Sight:
    """Everything seen in the first pass: photos by path, their record names, and their lenses."""

    seen: Mapping[Path, CardsSeen]
    names: Mapping[Path, str]
    lenses: Mapping[Path, LensOfPhoto]
    duplicates: Mapping[Path, Path]


def measure_job(job: Job, *, workers: int = 1, progress: Progress | None = None) -> Survey:
    """Measure every run and corner of a job.

    Parameters
    ----------
    workers : processes to share photos out to; 1 keeps all in this one
    progress : called as the work goes on

    Raises MeasureError where not one photo could be read, PhotoError and JobError as the parts do.
    """
    with Crew(workers) as crew:
        sight = _look(job, crew, progress)
        usable = [photo for photo in sight.seen.values() if photo.facts is not None]
        if not usable:
            faults = "\n".join(photo.fault for photo in sight.seen.values())
            raise MeasureError(f"Not one photo could be read.\n{faults}")
        prefixes = marks([run.name for run in job.runs])
        results: dict[str, RunResult] = {}
        for done, run in enumerate(job.runs):
            if progress is not None:
                progress("measuring runs", done, len(job.runs))
            photos = _photos_of(job, run.name, sight)
            results[run.name] = measure_run(job, run, photos, sight.lenses, sight.names, prefixes[run.name], crew)
        if progress is not None:
            progress("measuring runs", len(job.runs), len(job.runs))
        corners = _corners(job, results, sight, crew)
    runs = _once_each([results[run.name].record for run in job.runs], corners)
    return Survey(
        name=job.name,
        runs=runs,
        corners=tuple(corners),
        photos=tuple(_photo_record(path, sight, results) for path in sight.seen),
        software=f"sillwright {__version__}",
        made_from="photos",
    )


def _look(job: Job, crew: Crew, progress: Progress | None) -> _Sight:
    every = [photo for run in job.runs for photo in run.photos] + [p for c in job.corners for p in c.photos]
    paths = list(dict.fromkeys(every))
    count = 0

    def tick() -> None:
        nonlocal count
        count += 1
        if progress is not None:
            progress("looking at photos", count, len(paths))

    if progress is not None:
        progress("looking at photos", 0, len(paths))
    seen = {photo.path: photo for photo in crew.share_out(look_for_cards, paths, tick)}
    names = {path: job.file_name(path) for path in paths}
    profile = read_profile(job.profile_path) if job.profile_path is not None else None
    first: dict[str, Path] = {}
    duplicates: dict[Path, Path] = {}
    for path, photo in seen.items():
        if photo.facts is not None:
            original = first.setdefault(photo.facts.sha256, path)
            if original != path:
                duplicates[path] = original
    lenses = {path: lens_for(photo, profile, names[path]) for path, photo in seen.items() if photo.facts is not None}
    return _Sight(seen, names, lenses, duplicates)


def _photos_of(job: Job, run: str, sight: _Sight) -> list[CardsSeen]:
    """A run's photos, and those of its corners, readable ones, each once."""
    own = next(r.photos for r in job.runs if r.name == run)
    at_corners = [p for corner in job.corners if run in corner.runs for p in corner.photos]
    paths = [p for p in dict.fromkeys([*own, *at_corners]) if p not in sight.duplicates]
    return [sight.seen[p] for p in paths if sight.seen[p].facts is not None]


def _corners(job: Job, results: Mapping[str, RunResult], sight: _Sight, crew: Crew) -> list[CornerRecord]:
    places = {
        name: RunPlace(name, {card.number: card.station_mm for card in result.record.cards}, result.poses)
        for name, result in results.items()
        if result.record.cards
    }
    usable = [photo for photo in sight.seen.values() if photo.facts is not None and photo.path not in sight.duplicates]
    return [measure_corner(c, usable, places, job, sight.lenses, sight.names, crew) for c in job.corners]


def _once_each(runs: Sequence[RunRecord], corners: Sequence[CornerRecord]) -> tuple[RunRecord, ...]:
    """Bolts past a corner belong to the other run: drop from each run those that stand beyond its crossing."""
    kept = list(runs)
    for corner in corners:
        for i, run in enumerate(kept):
            at = corner.station_mm.get(run.name)
            if at is None or run.name not in corner.runs or not run.cards:
                continue
            side = 1.0 if sum(card.station_mm for card in run.cards) / len(run.cards) > at else -1.0
            bolts = tuple(b for b in run.bolts if b.station_mm is None or (b.station_mm - at) * side > 0.0)
            kept[i] = replace(run, bolts=bolts)
    return tuple(kept)


def _photo_record(path: Path, sight: _Sight, results: Mapping[str, RunResult]) -> PhotoRecord:
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
    findings.extend(_exposure(photo, name))
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


def _matters(finding: Finding) -> bool:
    """Whether a finding about a used photo is worth a second look; a lens not calibrated only widens intervals."""
    return finding.code != "lens-unknown"


def _exposure(photo: CardsSeen, name: str) -> list[Finding]:
    findings = []
    if photo.sharpness > BLURRED_PX:
        findings.append(Finding("blurred", (name,)))
    if photo.brightness < DARK:
        findings.append(Finding("too-dark", (name,)))
    if photo.brightness > BRIGHT:
        findings.append(Finding("too-bright", (name,)))
    return findings
