"""Where a command writes: what is said when it cannot."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import click


@contextmanager
def writing(output: Path, kind: str = "place") -> Iterator[None]:
    """Tell a write that fails as a sentence about ``output``; ``kind`` is what ``-o`` names."""
    try:
        yield
    except OSError as fault:
        reason = fault.strerror or fault
        raise click.ClickException(f"{output} cannot be written ({reason}). Choose another {kind} with -o.") from fault
