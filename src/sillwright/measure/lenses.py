"""The lens each photo is thought to be taken with: from the phone profile, else from what its EXIF says."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from sillwright.cards import CHECK_LENGTH_MM
from sillwright.errors import JobError
from sillwright.job import Job
from sillwright.measure.work import CardsSeen
from sillwright.profile import Lens, Profile, prior_camera
from sillwright.solve.pose import CardView, FlatView, flat_view
from sillwright.survey import Finding

HALF_ROUND = "half round"


@dataclass(frozen=True)
class LensOfPhoto:
    """The lens a photo is thought to be taken with, before the adjustment, and why it may be doubted.

    key : photos with equal keys were taken with one lens standing one way
    usual : whether its pixels are stored the usual way up; None where either is as likely
    flat : the photo's own pose and cards by that lens; None where it shows none
    """

    lens: Lens
    key: tuple[str | float | None, ...]
    findings: tuple[Finding, ...]
    usual: bool | None = None
    flat: FlatView | None = None

    def standing(self, seen: CardsSeen, job: Job) -> LensOfPhoto:
        """The same with the photo's pose and cards worked out by this lens."""
        scale = nominal_scale(job)
        cards = {n: CardView(sighting.board_mm * scale, sighting.corners_px) for n, sighting in seen.cards.items()}
        return replace(self, flat=flat_view(self.lens.camera, cards, job.card_thickness_mm) if cards else None)

    def turned_half(self, seen: CardsSeen, job: Job) -> LensOfPhoto:
        """The same for pixels stored the other way up."""
        usual = None if self.usual is None else not self.usual
        other = replace(self, lens=self.lens.turned_half(), key=_other_key(self.key), usual=usual)
        return other.standing(seen, job)


def lens_for(seen: CardsSeen, profile: Profile | None, name: str, job: Job) -> LensOfPhoto:
    """The lens of one photo from the phone profile, else from its EXIF, and how its cards lie by that lens."""
    chosen = _lens_for(seen, profile, name)
    return chosen.standing(seen, job)


def nominal_scale(job: Job) -> float:
    """The print scale to start from: what the check ticks were taped at, else true."""
    return job.check_length_mm / CHECK_LENGTH_MM if job.check_length_mm else 1.0


def _lens_for(seen: CardsSeen, profile: Profile | None, name: str) -> LensOfPhoto:
    facts = seen.facts
    assert facts is not None
    findings: tuple[Finding, ...] = (Finding("lens-unknown", (name,)),)
    if profile is not None:
        try:
            lens = profile.lens_of(facts.width_px, facts.height_px, facts.focal_35mm)
        except JobError:
            findings = (Finding("zoomed", (name,)),)
        else:
            usual = True if profile.stands_like(facts.width_px, facts.height_px) else None
            return LensOfPhoto(lens, facts.lens_key, (), usual)
    camera, sigma = prior_camera(facts.width_px, facts.height_px, facts.focal_35mm)
    return LensOfPhoto(Lens(camera, np.diag(sigma**2)), (*facts.lens_key, "own"), findings, True)


def _other_key(key: tuple[str | float | None, ...]) -> tuple[str | float | None, ...]:
    return key[:-1] if key[-1] == HALF_ROUND else (*key, HALF_ROUND)
