"""A first look at one photo, a second or two after it was taken: is it good, or is it to be shot again?

Only what one photo tells by itself is judged: cards, chalk line, light, sharpness, how many pixels a bolt has. Whether
it joins the rest of its run, and what its bolts measure, is known when the run is measured.
"""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import dataclass, replace
from pathlib import Path

from sillwright.job import Job, RunJob
from sillwright.measure.jobs import exposure_findings
from sillwright.measure.lenses import LensOfPhoto, lens_for
from sillwright.measure.runs import LaidRun, lay_run
from sillwright.measure.work import LEAST_RADIUS_PX, CardsSeen, Crew, look_for_cards
from sillwright.profile import read_profile
from sillwright.survey import Finding, Status

# Without one of these nothing can be measured in a photo; with any other finding it can, and wants a second look.
_USELESS = frozenset({"unreadable", "no-cards", "few-corners", "other-run", "mirrored", "no-chalk-line"})
_BESIDE = frozenset({"lens-unknown", "turned-unsure"})  # they widen intervals, and no other photo mends them


@dataclass(frozen=True)
class Glance:
    """What one photo by itself is worth, why, and the numbers of the cards seen in it."""

    status: Status
    reasons: tuple[Finding, ...]
    cards: tuple[int, ...]


def glance(job: Job, runs: Collection[str], photo: Path) -> Glance:
    """Look at one photo of those runs of a job; ``photo`` lies in the job's folder, and need not be in its patterns.

    runs : one name for a run's photo, two for a corner's; the photo is good when it serves them all

    A photo that cannot be read is ``reshoot``. Raises JobError where the phone profile cannot be read.
    """
    name = job.file_name(photo)
    seen = look_for_cards(photo, few=True)
    if seen.facts is None:
        return Glance("reshoot", (Finding("unreadable", (name,)),), ())
    findings = [*exposure_findings(seen, name)]
    if seen.twice:
        findings.append(Finding("card-duplicate", (name,), seen.twice))
    if seen.mirrored:
        findings.append(Finding("mirrored", (name,)))
    elif not seen.cards:
        findings.append(Finding("no-cards", (name,)))
    else:
        profile = read_profile(job.profile_path) if job.profile_path is not None else None
        lens = lens_for(seen, profile, name, job)
        findings += [*lens.findings]
        if len(seen.cards) == 1:
            findings.append(Finding("one-card", (name,), tuple(seen.cards)))
        for run in job.runs:
            if run.name in runs:
                findings += _on_run(job, run, seen, lens, name)
    reasons = tuple(sorted(dict.fromkeys(findings), key=lambda reason: reason.code in _BESIDE))
    return Glance(_status(reasons), reasons, tuple(sorted(seen.cards)))


def _on_run(job: Job, run: RunJob, seen: CardsSeen, lens: LensOfPhoto, name: str) -> list[Finding]:
    """What keeps the photo from being laid on the run's line by itself."""
    alone = replace(run, photos=(seen.path,), tape=())
    with Crew(1) as crew:
        laid = lay_run(job, alone, [seen], {seen.path: lens}, {seen.path: name}, crew)
    if not isinstance(laid, LaidRun):
        own = laid.photo_findings.get(seen.path, ())
        return [*own] or [*laid.record.reasons]  # cards of two walls are a run's reason
    findings = [*laid.block.left_out.get(seen.path, ())]
    if laid.strange:
        findings.append(Finding("lens-mismatch", (name,)))
    camera, pose = laid.poses[seen.path]
    radius_px = camera.fx * job.bolt.diameter_mm / 2.0 / max(float(pose.centre_mm[2]), 1.0)
    if radius_px < LEAST_RADIUS_PX:
        findings.append(Finding("too-coarse", (name,)))
    return findings


def _status(reasons: Collection[Finding]) -> Status:
    codes = {reason.code for reason in reasons} - _BESIDE
    return "reshoot" if codes & _USELESS else "check" if codes else "ok"
