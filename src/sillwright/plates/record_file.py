"""plates.json: the plan as a file, read back, and the JSON Schema that it keeps."""

from __future__ import annotations

import json
from functools import cache
from pathlib import Path
from typing import Any

from pydantic import TypeAdapter, ValidationError

from sillwright.errors import JobError
from sillwright.plates.record import SCHEMA, PlatesPlan
from sillwright.whole_file import read_whole, write_aside

SCHEMA_FILE = Path(__file__).with_name("plates.schema.json")


def write_plan(plan: PlatesPlan, path: Path) -> None:
    """Write plates.json so that a reader sees the old file or the new one, never half of either."""
    write_aside(path, to_bytes(plan))


def to_bytes(plan: PlatesPlan) -> bytes:
    """The content of plates.json."""
    return json.dumps(to_json(plan), indent=1, ensure_ascii=False, allow_nan=False).encode() + b"\n"


def to_json(plan: PlatesPlan) -> dict[str, Any]:
    """The published form. A number without end (the hole a bolt that lies flat would need) stands as null."""
    body = json.loads(_adapter().dump_json(plan))
    assert isinstance(body, dict)
    return body


def read_plan(path: Path) -> PlatesPlan:
    """Read a plates.json this package wrote. Raises JobError where it is missing, not JSON, or of another schema."""
    try:
        body = json.loads(read_whole(path).decode("utf-8"))
        schema = body.get("schema") if isinstance(body, dict) else None
        if schema != SCHEMA:
            raise JobError(f"{path} has the schema {schema!r}; this version reads {SCHEMA!r}. Run plates again.")
        return _adapter().validate_python(body)
    except (OSError, ValueError, RecursionError) as fault:
        if isinstance(fault, JobError):
            raise
        told = f"{fault.error_count()} faults" if isinstance(fault, ValidationError) else fault
        raise JobError(f"{path} is not a plan this version can read ({told}). Run plates again.") from fault


def json_schema() -> dict[str, Any]:
    """The JSON Schema of plates.json, as ``plates.schema.json`` in this package publishes it."""
    body = _adapter().json_schema(mode="serialization")
    body["$schema"] = "https://json-schema.org/draft/2020-12/schema"
    body["properties"]["schema"] = {"const": SCHEMA, "title": "Schema", "type": "string"}
    return body


@cache
def _adapter() -> TypeAdapter[PlatesPlan]:
    return TypeAdapter(PlatesPlan)
