"""The record of a job as measured: runs, bolts, cards, corners and photos, written as survey.json.

Lengths are millimetres, angles degrees. The run frame: X along the chalk line from lower to higher card numbers,
Y square to it and positive toward the plate, Z up; the chalk line is Y = 0 on the concrete. Station is X less the X
of the zero mark of the run's lowest-numbered card; setback is Y where the bolt's axis meets the concrete.
"""

from __future__ import annotations

import json
import math
import os
import re
import tempfile
from collections import Counter
from collections.abc import Iterator
from dataclasses import asdict, dataclass, field, fields, is_dataclass
from functools import cache
from pathlib import Path
from typing import Any, Literal

from pydantic import TypeAdapter, ValidationError

from sillwright.errors import JobError
from sillwright.whole_file import read_whole

FORMAT = 1

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


def to_json(survey: Survey) -> dict[str, Any]:
    """The published form: ``reasons`` become plain codes, and what each speaks of stands in ``findings``."""
    body = {"format": FORMAT, **_plain(asdict(survey))}
    assert isinstance(body, dict)
    return body


def _plain(value: Any) -> Any:
    if isinstance(value, dict):
        out = {key: _plain(item) for key, item in value.items()}
        if "reasons" in value:
            out["reasons"] = list(dict.fromkeys(finding["code"] for finding in value["reasons"]))
            out["findings"] = [_plain(finding) for finding in value["reasons"]]
        return out
    if isinstance(value, (list, tuple)):
        return [_plain(item) for item in value]
    if isinstance(value, float):
        return round(value, 9)
    return value


def write_survey(survey: Survey, path: Path) -> None:
    """Write survey.json so that a reader sees the old file or the new one, never half of either."""
    write_aside(path, json.dumps(to_json(survey), indent=1, ensure_ascii=False).encode() + b"\n")


def write_aside(path: Path, content: bytes) -> None:
    """Write a file beside its final place, flush it to disk, then rename it there."""
    path.parent.mkdir(parents=True, exist_ok=True)
    handle, aside = tempfile.mkstemp(dir=path.parent, prefix=f".{path.name[:40]}.")
    try:
        with os.fdopen(handle, "wb") as stream:
            stream.write(content)
            stream.flush()
            os.fsync(stream.fileno())
        Path(aside).chmod(0o644)
        Path(aside).replace(path)
    except BaseException:
        Path(aside).unlink(missing_ok=True)
        raise


def read_survey(path: Path) -> Survey:
    """Read a survey.json this package wrote back into records.

    Raises JobError where the file is missing, is not JSON, is of another format, or holds what no measurement writes.
    """
    try:
        body = json.loads(read_whole(path).decode("utf-8"))
        if body.get("format") != FORMAT:
            raise JobError(f"{path} is survey format {body.get('format')!r}; this version reads format {FORMAT}.")
        survey = Survey(
            name=body["name"],
            runs=tuple(_run(run) for run in body["runs"]),
            corners=tuple(
                CornerRecord(
                    **{
                        **_known(CornerRecord, corner),
                        "runs": tuple(corner["runs"]),
                        "reasons": _findings(corner),
                    }
                )
                for corner in body["corners"]
            ),
            photos=tuple(_photo(photo) for photo in body["photos"]),
            software=body.get("software", ""),
            made_from=body.get("made_from", ""),
            measured_with=dict(body.get("measured_with", {})),
            libraries=dict(body.get("libraries", {})),
            profile_sha256=str(body.get("profile_sha256", "")),
        )
        fault = next(_unsound(survey), None)
        if fault is not None:
            raise JobError(f"{path}: {fault}. The file was changed after it was measured: run measure again.")
        _adapter().validate_python(asdict(survey))  # each value of the kind that its field holds
        return survey
    except (OSError, ValueError, KeyError, TypeError, AttributeError, OverflowError, RecursionError) as error:
        if isinstance(error, JobError):
            raise
        told = _first_fault(error) if isinstance(error, ValidationError) else error
        raise JobError(f"{path} is not a survey this version can read ({told}). Run measure again.") from error


@cache
def _adapter() -> TypeAdapter[Survey]:
    return TypeAdapter(Survey)


def _first_fault(fault: ValidationError) -> str:
    first = fault.errors(include_input=False, include_url=False)[0]
    return f"{', '.join(str(part) for part in first['loc'])}: {first['msg']}"


def _unsound(survey: Survey) -> Iterator[str]:
    """What no measurement writes: numbers and statuses that are none, two runs, bolts or photos of one name."""
    yield from _wrong_values(survey, "")
    for kind, names in (
        ("run", [run.name for run in survey.runs]),
        ("bolt", [bolt.mark for run in survey.runs for bolt in run.bolts]),
        ("photo", [photo.file for photo in survey.photos]),
    ):
        for name, count in Counter(names).items():
            if count > 1:
                yield f'{kind} "{name}" is there {count} times'


def _wrong_values(value: Any, where: str, name: str = "") -> Iterator[str]:
    if is_dataclass(value):
        own = getattr(value, "mark", getattr(value, "name", getattr(value, "number", "")))
        own = repr(own) if isinstance(own, str) and not is_text(own) else own
        inside = f"{where}{own}: " if own != "" and not isinstance(value, Survey) else where
        for each in fields(value):
            least = 0.0 if isinstance(value, BoltU95) else -math.inf
            found = getattr(value, each.name)
            if isinstance(found, float) and found < least:
                yield f"{inside}the half-width of {each.name} is {found:g}"
            yield from _wrong_values(found, inside, each.name)
    elif isinstance(value, (tuple, list, dict)):
        for item in value.values() if isinstance(value, dict) else value:
            if item is None:
                yield f"{where}{name} holds nothing where a number belongs"
            yield from _wrong_values(item, where, name)
    elif name == "status" and value not in STATUS_ORDER:
        yield f"{where}the status is {value!r}"
    elif name in ("mark", "name", "file") and not isinstance(value, str):
        yield f"{where}a {name} is {value!r}, which is no text"
    elif isinstance(value, str) and not is_text(value):
        yield f"{where}{name} has a letter in it that no text has"
    elif name.endswith(_NUMBERS) and value is not None and not _is_number(value):
        yield f"{where}{name} is {value!r}, which is no number"


def is_text(value: str) -> bool:
    """Whether words can be kept and shown: no letter that ends a name, steers a terminal or is half of one."""
    return re.search("[\\x00\\x1b\\ud800-\\udfff]", value) is None


_LARGEST = 1e12  # a number beyond it, without end or none at all was not measured
_NUMBERS = ("_mm", "_deg", "_ratio", "slope", "rotation")


def _is_number(value: Any) -> bool:
    return isinstance(value, (int, float)) and not isinstance(value, bool) and abs(value) <= _LARGEST


def _known(kind: Any, body: dict[str, Any]) -> dict[str, Any]:
    return {key: value for key, value in body.items() if key in kind.__dataclass_fields__}


def _findings(body: dict[str, Any]) -> tuple[Finding, ...]:
    return tuple(
        Finding(f["code"], tuple(f["photos"]), tuple(f["cards"]), f["value_mm"]) for f in body.get("findings", [])
    )


def _run(body: dict[str, Any]) -> RunRecord:
    bolts = tuple(
        BoltRecord(
            **{
                **_known(BoltRecord, bolt),
                "u95": BoltU95(**_known(BoltU95, bolt["u95"])),
                "photos": tuple(bolt["photos"]),
                "reasons": _findings(bolt),
                "photos_alone": _photos_alone(bolt.get("photos_alone")),
            }
        )
        for bolt in body["bolts"]
    )
    cards = tuple(CardRecord(**{**_known(CardRecord, card), "reasons": _findings(card)}) for card in body["cards"])
    edges = tuple(EdgeRecord(**_known(EdgeRecord, edge)) for edge in body.get("edges", []))
    return RunRecord(
        **{
            **_known(RunRecord, body),
            "bolts": bolts,
            "cards": cards,
            "edges": edges,
            "reasons": _findings(body),
        }
    )


def _photos_alone(body: dict[str, Any] | None) -> PhotosAlone | None:
    if body is None:
        return None
    return PhotosAlone(**{**_known(PhotosAlone, body), "u95": BoltU95(**_known(BoltU95, body["u95"]))})


def _photo(body: dict[str, Any]) -> PhotoRecord:
    camera = body.get("camera")
    return PhotoRecord(
        **{
            **_known(PhotoRecord, body),
            "reasons": _findings(body),
            "cards": tuple(body.get("cards", [])),
            "camera": camera
            and CameraRecord(
                camera["width_px"],
                camera["height_px"],
                tuple(tuple(row) for row in camera["matrix_px"]),
                tuple(camera["distortion_k1_k2_p1_p2_k3"]),
            ),
            "views": tuple(
                ViewRecord(view["run"], tuple(tuple(row) for row in view["rotation"]), tuple(view["translation_mm"]))
                for view in body.get("views", [])
            ),
        }
    )
