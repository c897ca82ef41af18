"""A photo large and upright, to mark places on: as one picture at most 2000 px long, and as pieces at full size.

Browsers get JPEG whatever the phone wrote, without EXIF. All are made at once, at the first look, and kept by the
photo's SHA-256; where there are many, those that were made first are taken away, to be made again when asked for.
"""

from __future__ import annotations

import re
import shutil
import threading
from collections.abc import Iterator
from pathlib import Path

from sillwright.errors import PhotoError
from sillwright.page.refusal import Refusal
from sillwright.page.store import Store
from sillwright.page.uploads import LEAST_FREE_BYTES
from sillwright.photo import Pixels, fitted, read_facts, read_pixels, turn_for_viewing
from sillwright.tell.report import jpeg
from sillwright.whole_file import write_aside

WHOLE = "whole"
WHOLE_PX = 2000  # its long side
PIECE_PX = 1024
MOST_KEPT = 60  # photos; some 6 MB each
_QUALITY = 90

# One photo is decoded at a time: the largest takes a third of a gigabyte.
_making = threading.Lock()


def large_picture(store: Store, photo: Path, sha256: str, name: str) -> Path:
    """The file of one picture: ``whole``, or a piece by its column and row, ``2-0``.

    Raises Refusal where the photo has no such picture, cannot be read, or the disk is nearly full.
    """
    folder = store.large / sha256
    if not re.fullmatch(r"whole|\d{1,2}-\d{1,2}", name):
        raise Refusal(404, "no_picture")
    with _making:
        if not (folder / f"{WHOLE}.jpg").is_file():
            if shutil.disk_usage(store.folder).free < LEAST_FREE_BYTES:
                raise Refusal(507, "disk")
            _make(photo, folder)
            _keep_few(store)
    if not (folder / f"{name}.jpg").is_file():
        raise Refusal(404, "no_picture")
    return folder / f"{name}.jpg"


def _make(photo: Path, folder: Path) -> None:
    """Every picture of a photo; the whole one last, so that where it is there all are."""
    try:
        pixels = turn_for_viewing(read_pixels(photo), read_facts(photo).orientation)
    except PhotoError as fault:
        raise Refusal(415, "photo", said=str(fault).replace(f"{photo.parent}/", "")) from None
    for name, piece in _pieces(pixels):
        write_aside(folder / f"{name}.jpg", jpeg(piece, _QUALITY))
    write_aside(folder / f"{WHOLE}.jpg", jpeg(fitted(pixels, WHOLE_PX), _QUALITY))


def _pieces(pixels: Pixels) -> Iterator[tuple[str, Pixels]]:
    """The photo cut into squares; those at its right and lower sides are smaller."""
    for row, top in enumerate(range(0, pixels.shape[0], PIECE_PX)):
        for column, left in enumerate(range(0, pixels.shape[1], PIECE_PX)):
            yield f"{column}-{row}", pixels[top : top + PIECE_PX, left : left + PIECE_PX]


def _keep_few(store: Store) -> None:
    kept = sorted(store.large.iterdir(), key=lambda folder: folder.stat().st_mtime_ns)
    for folder in kept[: len(kept) - MOST_KEPT] if len(kept) > MOST_KEPT else ():
        shutil.rmtree(folder, ignore_errors=True)
