"""What a photo file is by its own bytes: its format, whether a JPEG is whole, how a HEIC file is turned.

Nothing here trusts a name, and nothing decodes a pixel.
"""

from __future__ import annotations

import re
from collections.abc import Iterator

_HEIF_BRANDS = {b"heic", b"heix", b"heim", b"heis", b"hevc", b"hevx", b"hevm", b"hevs", b"mif1", b"msf1"}

# In coded data 0xFF is followed by 0x00 (a plain 0xFF), a restart marker or another 0xFF; all else ends the scan
# (ITU-T T.81, B.1.1.5).
_SCAN_END = re.compile(rb"\xff[^\x00\xd0-\xd7\xff]")

# EXIF orientations that say the same as one step of a HEIF file (ISO/IEC 23008-12, 6.5.10 and 6.5.12):
# irot counts quarter turns anti-clockwise; imir 0 swaps top and bottom, imir 1 left and right.
_QUARTER_TURNS = (1, 8, 3, 6)
_MIRRORS = (4, 2)


def sniff_format(content: bytes) -> str | None:
    """``JPEG``, ``PNG``, ``TIFF`` or ``HEIC`` by the first bytes; None for anything else."""
    if content.startswith(b"\xff\xd8\xff"):
        return "JPEG"
    if content.startswith(b"\x89PNG\r\n\x1a\n"):
        return "PNG"
    if content.startswith((b"II*\x00", b"MM\x00*")):
        return "TIFF"
    if content[4:8] == b"ftyp" and content[8:12] in _HEIF_BRANDS:
        return "HEIC"
    return None


def jpeg_is_whole(content: bytes) -> bool:
    """Whether the first picture in a JPEG file runs to its end marker (ITU-T T.81, Annex B).

    Phones append further pictures and films after it, and embed a thumbnail with an end marker of its own before it;
    both are stepped over.
    """
    at = 2
    while at + 4 <= len(content):
        at = content.find(b"\xff", at)
        if at < 0 or at + 1 >= len(content):
            return False
        marker = content[at + 1]
        if marker == 0xFF:
            at += 1
        elif marker == 0xD9:
            return True
        elif marker in (0x00, 0x01) or 0xD0 <= marker <= 0xD7:
            at += 2
        else:
            at += 2 + int.from_bytes(content[at + 2 : at + 4], "big")
            if marker == 0xDA:
                end = _SCAN_END.search(content, at)
                if end is None:
                    return False
                at = end.start()
    return content[at : at + 2] == b"\xff\xd9"


def heif_turns(content: bytes) -> tuple[int, ...]:
    """How a HEIF file asks its main picture to be turned for viewing, step by step, as EXIF orientations.

    Decoders carry these steps out themselves; a HEIF file's EXIF orientation is for information only
    (ISO/IEC 23008-12, 6.5.10 and Annex A). A file that does not keep to the box structure (ISO/IEC 14496-12)
    gives no steps.
    """
    for kind, meta in _boxes(content):
        if kind == b"meta":
            return tuple(_turns_in_meta(meta[4:]))
    return ()


def _turns_in_meta(meta: bytes) -> Iterator[int]:
    boxes = dict(_boxes(meta))
    main_item = _main_item(boxes.get(b"pitm", b""))
    parts = list(_boxes(boxes.get(b"iprp", b"")))
    properties = [box for kind, body in parts if kind == b"ipco" for box in _boxes(body)]
    for kind, body in parts:
        if kind != b"ipma":
            continue
        for item, index in _associations(body):
            if item != main_item or not 1 <= index <= len(properties):
                continue
            what, value = properties[index - 1]
            if what == b"irot" and value:
                yield _QUARTER_TURNS[value[0] & 3]
            elif what == b"imir" and value:
                yield _MIRRORS[value[0] & 1]


def _boxes(content: bytes) -> Iterator[tuple[bytes, bytes]]:
    """(type, body) of each box that stands whole in ``content``."""
    at = 0
    while at + 8 <= len(content):
        size, kind, head = int.from_bytes(content[at : at + 4], "big"), content[at + 4 : at + 8], 8
        if size == 1:
            size, head = int.from_bytes(content[at + 8 : at + 16], "big"), 16
        elif size == 0:
            size = len(content) - at
        if size < head or at + size > len(content):
            return
        yield kind, content[at + head : at + size]
        at += size


def _main_item(pitm: bytes) -> int:
    return int.from_bytes(pitm[4:6] if pitm[:1] == b"\x00" else pitm[4:8], "big")


def _associations(ipma: bytes) -> Iterator[tuple[int, int]]:
    """(item, property number from 1) pairs of an item property association box, in order."""
    id_bytes = 2 if ipma[:1] == b"\x00" else 4
    index_bytes = 2 if ipma[3:4] and ipma[3] & 1 else 1
    at = 8
    for _ in range(int.from_bytes(ipma[4:8], "big")):
        if at + id_bytes >= len(ipma):
            return
        item = int.from_bytes(ipma[at : at + id_bytes], "big")
        count = ipma[at + id_bytes]
        at += id_bytes + 1
        for _ in range(count):
            # The top bit only says whether a reader must understand the property.
            yield item, int.from_bytes(ipma[at : at + index_bytes], "big") & (0x7FFF if index_bytes == 2 else 0x7F)
            at += index_bytes
