"""What a measurement rests on, of job.toml and corrections.toml, as short fingerprints, so that a change is noticed.

What is only for cutting and drilling (where runs begin and end, stock, rules, levels, the outline) is not among them:
it may be written after the photos were measured.
"""

from __future__ import annotations

import hashlib
import json
from typing import Any

from sillwright.corrections_file import CORRECTIONS, CorrectionsTable
from sillwright.job_file import JobTable


def measured_parts(table: JobTable, corrections: CorrectionsTable | None) -> dict[str, str]:
    """By heading: the first 16 hex digits of the SHA-256 of what stands under it, as read (lengths in mm).

    Corrections go as one, under their file's name, where there are any.
    """
    parts: dict[str, Any] = {
        "[plate]": [table.plate.size, table.plate.width_mm],
        "[bolts]": [table.bolts.bolt.name, table.bolts.stickup_mm],
        "[cards]": [table.cards.thickness_mm, table.cards.check_length_mm],
        "[camera]": table.camera.profile,
    }
    for run in table.run:
        tapes = [[tape.from_card, tape.to_card, tape.length_mm] for tape in run.tape]
        parts[f'[[run]] "{run.name}"'] = [run.photos, run.cards, run.line_marks, tapes]
    for corner in table.corner:
        parts[f"[[corner]] {' and '.join(corner.runs)}"] = corner.photos
    if corrections is not None:
        parts[CORRECTIONS] = corrections.model_dump(mode="json")
    return {heading: _short(value) for heading, value in parts.items()}


def changed_faults(then: dict[str, str], table: JobTable, corrections: CorrectionsTable | None) -> tuple[str, ...]:
    """A sentence for each heading that is new, gone or changed since; none where the record does not say."""
    now = measured_parts(table, corrections) if then else {}
    return tuple(
        f"{heading} is not what survey.json was measured with. Put it back, or measure again."
        for heading in dict.fromkeys([*then, *now])
        if then.get(heading) != now.get(heading)
    )


def _short(value: Any) -> str:
    return hashlib.sha256(json.dumps(value).encode()).hexdigest()[:16]
