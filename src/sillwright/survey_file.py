"""survey.json: the record of a job written, read back, and held against what a measurement writes."""

from __future__ import annotations

import json
import math
import re
from collections import Counter
from collections.abc import Iterator
from dataclasses import asdict, fields, is_dataclass
from functools import cache
from pathlib import Path
from typing import Any

from pydantic import TypeAdapter, ValidationError

from sillwright.errors import JobError
from sillwright.survey import (
    STATUS_ORDER,
    BoltRecord,
    BoltU95,
    CameraRecord,
    CardRecord,
    CornerRecord,
    EdgeRecord,
    Finding,
    PhotoRecord,
    PhotosAlone,
    RunRecord,
    Survey,
    ViewRecord,
)
from sillwright.whole_file import read_whole, write_aside

FORMAT = 1


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
