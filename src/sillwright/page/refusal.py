"""What the page will not do, as an answer: an HTTP status and the key of a sentence in the language files."""

from __future__ import annotations

from sillwright.errors import SillwrightError


class Refusal(SillwrightError):
    """A request that is not carried out. ``key`` stands under ``[refusal]`` in ``words/``; ``values`` fill it in.

    ``offset`` is how many bytes of an upload are held, where that is what the phone has to know.
    """

    def __init__(self, status_code: int, key: str, offset: int | None = None, **values: str | int) -> None:
        super().__init__(key)
        self.status_code = status_code
        self.key = key
        self.offset = offset
        self.values = values
