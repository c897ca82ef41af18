"""The design of a run as a table: where the drawings want each bolt, to hold a survey against.

CSV with a heading line: ``station`` and ``setback``, lengths with their units (``2 ft 3 in``, ``140 mm``); ``run``,
needed where there are several; ``mark``, if the drawings name their bolts. A design's numbers have no width.
"""

from __future__ import annotations

import csv
import io
from pathlib import Path

from sillwright.errors import JobError, LengthError
from sillwright.lengths import parse_length_mm
from sillwright.survey import BoltRecord, BoltU95, RunRecord
from sillwright.whole_file import read_whole

_NEEDED = ("station", "setback")
_KNOWN = (*_NEEDED, "run", "mark")
_LARGEST = 1_000_000  # bytes
DESIGN_RUN = "run"


def read_design(path: Path) -> tuple[RunRecord, ...]:
    """The runs of a design, plumb bolts without doubts. Raises JobError with a sentence for each fault."""
    try:
        text = read_whole(path, _LARGEST).decode("utf-8-sig")
        rows = [row for row in csv.reader(io.StringIO(text, newline=""), strict=True) if any(map(str.strip, row))]
    except (OSError, UnicodeDecodeError, csv.Error) as fault:
        raise JobError(f"{path} cannot be read as CSV ({fault}). Save it as CSV in UTF-8.") from fault
    heading = [cell.strip().casefold() for cell in rows[0]] if rows else []
    missing = [name for name in _NEEDED if name not in heading]
    unknown = [name for name in heading if name not in _KNOWN]
    if missing or unknown or len(set(heading)) != len(heading):
        raise JobError(
            f"{path}: the first line must name the columns station and setback, and may name run and mark, each once; "
            f"it names {', '.join(heading) or 'nothing'}."
        )
    return _runs(path, heading, rows[1:])


def _runs(path: Path, heading: list[str], rows: list[list[str]]) -> tuple[RunRecord, ...]:
    bolts: dict[str, list[BoltRecord]] = {}
    faults = []
    for count, row in enumerate(rows, start=2):
        cells = dict(zip(heading, (cell.strip() for cell in row), strict=False))
        try:
            if len(row) != len(heading):
                raise LengthError(f"there are {len(row)} cells under {len(heading)} headings")
            station_mm = parse_length_mm(cells["station"], allow_negative=True)
            setback_mm = parse_length_mm(cells["setback"], allow_negative=True)
        except LengthError as fault:
            faults.append(f"{path}, line {count}: {fault}")
            continue
        some = bolts.setdefault(cells.get("run") or DESIGN_RUN, [])
        some.append(_intended(cells.get("mark") or f"design {len(some) + 1}", station_mm, setback_mm))
    if faults:
        raise JobError("\n".join(faults))
    if not bolts:
        raise JobError(f"{path} has no bolt in it. Write a line for each, under the headings.")
    return tuple(RunRecord(name, "ok", (), tuple(some), ()) for name, some in bolts.items())


def _intended(mark: str, station_mm: float, setback_mm: float) -> BoltRecord:
    """A bolt as drawn: plumb; how far it sticks up is not said."""
    return BoltRecord(
        mark=mark,
        station_mm=station_mm,
        setback_mm=setback_mm,
        lean_along_mm=0.0,
        lean_across_mm=0.0,
        lean_deg=0.0,
        stickup_mm=None,
        stickup_from=None,
        diameter_mm=0.0,
        u95=BoltU95(0.0, 0.0, 0.0, 0.0, 0.0, None),
        photos=(),
        status="ok",
    )
