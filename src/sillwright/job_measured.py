"""The parts of job.toml that a measurement rests on, each as a short fingerprint, so that a change is noticed later.

What is only for cutting and drilling (where runs begin and end, stock, rules, levels, the outline) is not among them:
it may be written after the photos were measured.
"""

from __future__ import annotations

import hashlib
import json
from typing import Any

from sillwright.job_file import JobTable


def measured_parts(table: JobTable) -> dict[str, str]:
    """By heading: the first 16 hex digits of the SHA-256 of what stands under it, as read (lengths in mm)."""
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
    return {heading: _short(value) for heading, value in parts.items()}


def changed_faults(then: dict[str, str], table: JobTable) -> tuple[str, ...]:
    """A sentence for each heading that is new, gone or changed since; none where the record does not say."""
    now = measured_parts(table) if then else {}
    return tuple(
        f"{heading} is not what survey.json was measured with. Put it back, or measure again."
        for heading in dict.fromkeys([*then, *now])
        if then.get(heading) != now.get(heading)
    )


def _short(value: Any) -> str:
    return hashlib.sha256(json.dumps(value).encode()).hexdigest()[:16]
