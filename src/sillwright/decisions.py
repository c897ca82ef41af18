"""What a foreman said of measured bolts, kept in decisions.json beside survey.json.

A word holds for the numbers it was said of and no others: each is bound to a fingerprint of the bolt or run as it stood
in the record, so that measuring again, correcting or moving a bolt lets it lapse. The newest word counts; older ones
stay, as the file is a record.
"""

from __future__ import annotations

import hashlib
import json
from dataclasses import asdict
from datetime import datetime
from pathlib import Path
from typing import Literal

from pydantic import BaseModel, ConfigDict, Field, ValidationError

from sillwright.errors import JobError
from sillwright.survey import BoltRecord, RunRecord
from sillwright.whole_file import read_whole, write_aside

DECISIONS_FILE = "decisions.json"
LONGEST_WORD = 400

Verdict = Literal["accepted", "sent back"]


class Decision(BaseModel):
    """One word on one bolt, or on what is said of a whole run (``mark`` empty).

    stood : the fingerprint of what was judged; at : when, with its zone
    """

    model_config = ConfigDict(frozen=True, extra="forbid")

    run: str
    mark: str = ""
    verdict: Verdict
    word: str = Field(default="", max_length=LONGEST_WORD)
    by: str = Field(default="", max_length=LONGEST_WORD)
    at: datetime
    stood: str


class Decisions(BaseModel):
    """All that was said of one survey, oldest first."""

    model_config = ConfigDict(frozen=True, extra="forbid")

    format: Literal[1] = 1
    said: tuple[Decision, ...] = ()

    def with_one(self, decision: Decision) -> Decisions:
        """These and one more."""
        return self.model_copy(update={"said": (*self.said, decision)})

    def newest(self, run: str, mark: str, stood: str) -> Decision | None:
        """The last word on a bolt (or run) as it stands now; None where none was said of these very numbers."""
        mine = (one for one in reversed(self.said) if (one.run, one.mark, one.stood) == (run, mark, stood))
        return next(mine, None)

    def lapsed(self, run: str, mark: str, stood: str) -> Decision | None:
        """The last word on a bolt (or run), where it was said of other numbers than those that stand now."""
        last = next((one for one in reversed(self.said) if (one.run, one.mark) == (run, mark)), None)
        return last if last is not None and last.stood != stood else None


def bolt_as_it_stands(bolt: BoltRecord) -> str:
    """A fingerprint of a bolt's numbers, widths, status and reasons."""
    return _fingerprint(asdict(bolt))


def run_as_it_stands(run: RunRecord) -> str:
    """A fingerprint of what is said of a whole run; its bolts have their own."""
    told = asdict(run)
    del told["bolts"]
    return _fingerprint(told)


def _fingerprint(told: object) -> str:
    return hashlib.sha256(json.dumps(told, sort_keys=True, default=str).encode()).hexdigest()


def read_decisions(folder: Path) -> Decisions:
    """What was said of the survey in a folder; nothing where there is no file.

    Raises JobError where the file is not one this version wrote: a foreman's word is not to be lost by guessing.
    """
    path = folder / DECISIONS_FILE
    try:
        content = read_whole(path)
    except FileNotFoundError:
        return Decisions()
    except OSError as fault:
        raise JobError(f"{path} cannot be read: {fault.strerror or fault}.") from None
    try:
        return Decisions.model_validate_json(content)
    except ValidationError as fault:
        where = ".".join(str(part) for part in fault.errors()[0]["loc"]) or "the whole file"
        raise JobError(
            f"{path} holds no decisions this version can read ({where}: {fault.errors()[0]['msg']}). "
            "Move the file away and decide again; it is a record, so keep it."
        ) from None


def write_decisions(decisions: Decisions, folder: Path) -> None:
    """Write decisions.json aside, then put it in place."""
    write_aside(folder / DECISIONS_FILE, decisions.model_dump_json(indent=1).encode() + b"\n")
