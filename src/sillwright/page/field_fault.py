"""What is wrong with one field of a form, told beside it."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True)
class FieldFault:
    """The key of a sentence of the page, or a sentence of the package's own."""

    key: str = ""
    said: str = ""
