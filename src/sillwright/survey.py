"""The record of a job as measured: runs, bolts, cards, corners and photos, written as survey.json.

Lengths are millimetres, angles degrees. The run frame: X along the chalk line from lower to higher card numbers,
Y square to it and positive toward the plate, Z up; the chalk line is Y = 0 on the concrete. Station is X less the X
of the zero mark of the run's lowest-numbered card; setback is Y where the bolt's axis meets the concrete.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Literal

Status = Literal["ok", "check", "reshoot"]
STATUS_ORDER: tuple[Status, ...] = ("ok", "check", "reshoot")


@dataclass(frozen=True)
class Finding:
    """One reason, as data: a short fixed code and what it speaks of. Sentences are made in ``tell.reasons``."""

    code: str
    photos: tuple[str, ...] = ()
    cards: tuple[int, ...] = ()
    value_mm: float | None = None


@dataclass(frozen=True)
class BoltU95:
    """Half-widths of the 95 % intervals of a bolt's numbers; None where the number itself is not given."""

    station_mm: float | None = None
    setback_mm: float | None = None
    lean_along_mm: float | None = None
    lean_across_mm: float | None = None
    lean_deg: float | None = None
    stickup_mm: float | None = None


@dataclass(frozen=True)
class PhotosAlone:
    """What the photos alone said of a bolt that was then corrected by hand; the numbers are as in BoltRecord."""

    station_mm: float | None
    setback_mm: float | None
    lean_along_mm: float | None
    lean_across_mm: float | None
    lean_deg: float | None
    stickup_mm: float | None
    u95: BoltU95


@dataclass(frozen=True)
class BoltRecord:
    """One bolt. Lean is tip less base; stick-up is along the axis from concrete to tip.

    photos_alone : only of one that was found in the photos and corrected by hand
    """

    mark: str
    station_mm: float | None
    setback_mm: float | None
    lean_along_mm: float | None
    lean_across_mm: float | None
    lean_deg: float | None
    stickup_mm: float | None
    stickup_from: Literal["photos", "stated"] | None
    diameter_mm: float
    u95: BoltU95
    photos: tuple[str, ...]
    status: Status
    reasons: tuple[Finding, ...] = ()
    photos_alone: PhotosAlone | None = None


@dataclass(frozen=True)
class CardRecord:
    """One card on a run: its zero mark, and the turn of its long side from the chalk line."""

    number: int
    station_mm: float
    setback_mm: float
    turn_deg: float
    tilt_deg: float = 0.0
    reasons: tuple[Finding, ...] = ()


@dataclass(frozen=True)
class EdgeRecord:
    """One top edge of the foundation wall as a straight line in the run frame: setback = at + slope * station."""

    setback_at_zero_mm: float
    slope: float


@dataclass(frozen=True)
class RunRecord:
    """One wall run."""

    name: str
    status: Status
    reasons: tuple[Finding, ...]
    bolts: tuple[BoltRecord, ...]
    cards: tuple[CardRecord, ...]
    line_marks: Literal["outside", "inside"] = "outside"
    line_color: str | None = None
    plate_width_mm: float = 139.7
    scale_from: Literal["check length", "tape", "bolts", "print"] = "print"
    scale_u95_ratio: float = 0.0
    edges: tuple[EdgeRecord, ...] = ()


@dataclass(frozen=True)
class CornerRecord:
    """Two runs' chalk lines crossing: the angle seen from the crossing, and its station on each run."""

    runs: tuple[str, str]
    angle_deg: float | None
    u95_deg: float | None
    station_mm: dict[str, float] = field(default_factory=dict)
    status: Status = "ok"
    reasons: tuple[Finding, ...] = ()


@dataclass(frozen=True)
class CameraRecord:
    """The lens used for one photo: OpenCV's model at the stored size."""

    width_px: int
    height_px: int
    matrix_px: tuple[tuple[float, float, float], ...]
    distortion_k1_k2_p1_p2_k3: tuple[float, ...]


@dataclass(frozen=True)
class ViewRecord:
    """How one photo sees one run: ``P_camera = rotation @ P_run + translation_mm``.

    P_run has X measured as station (X = 0 at the zero mark of the run's lowest-numbered card). The rotation's
    determinant is -1 where the run frame is left-handed.
    """

    run: str
    rotation: tuple[tuple[float, float, float], ...]
    translation_mm: tuple[float, float, float]


@dataclass(frozen=True)
class PhotoRecord:
    """One photo: whether it was used, and how it sees its runs. ``file`` is relative to the job file."""

    file: str
    used: bool
    status: Status
    reasons: tuple[Finding, ...] = ()
    sha256: str = ""
    orientation: int = 1
    cards: tuple[int, ...] = ()
    camera: CameraRecord | None = None
    views: tuple[ViewRecord, ...] = ()


@dataclass(frozen=True)
class Survey:
    """The whole record of one job. ``measured_with``: by heading of job.toml, the fingerprint of what stood there.

    libraries : the version of each library that computed it, by its name
    profile_sha256 : of the phone profile it was measured with; empty without one, and in records older than this key
    """

    name: str
    runs: tuple[RunRecord, ...]
    corners: tuple[CornerRecord, ...]
    photos: tuple[PhotoRecord, ...]
    software: str = ""
    made_from: str = ""
    measured_with: dict[str, str] = field(default_factory=dict)
    libraries: dict[str, str] = field(default_factory=dict)
    profile_sha256: str = ""


def view_of(photo: PhotoRecord, run: str) -> ViewRecord | None:
    """The photo's view of that run, if it has one."""
    return next((view for view in photo.views if view.run == run), None)


def left_handed(survey: Survey, run: str) -> bool | None:
    """Whether a run's frame is left-handed; None where no photo placed on the run tells."""
    for photo in survey.photos:
        view = view_of(photo, run)
        if view is not None:
            (a, b, c), (d, e, f), (g, h, i) = view.rotation
            return a * (e * i - f * h) - b * (d * i - f * g) + c * (d * h - e * g) < 0.0
    return None


def worst(*statuses: Status) -> Status:
    """The worst of several statuses; ``ok`` when there are none."""
    return max(statuses, key=STATUS_ORDER.index, default="ok")
