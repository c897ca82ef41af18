"""Pictures made smaller for a browser: as they are to be viewed, as JPEG, without EXIF."""

from __future__ import annotations

import threading
from pathlib import Path

from sillwright.photo import fitted, read_facts, read_half, read_pixels, turn_for_viewing
from sillwright.tell.report import jpeg

_QUALITY = 82
_HALF_IS_ENOUGH = 2  # a decoder that gives every second pixel is quicker, and needs a quarter of the memory
_decoding = threading.Lock()  # one at a time, so that memory stays bounded by the largest


def smaller(path: Path, longest_px: int) -> bytes:
    """A picture no longer than that. Raises PhotoError where the file is none, or is not safe to read."""
    with _decoding:
        facts = read_facts(path)
        half = max(facts.width_px, facts.height_px) >= _HALF_IS_ENOUGH * longest_px
        pixels = turn_for_viewing(read_half(path) if half else read_pixels(path), facts.orientation)
        return jpeg(fitted(pixels, longest_px), _QUALITY)
