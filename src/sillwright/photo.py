"""One photo on disk to its facts and its pixels, guarded against files that are not what they say.

Pixels are always in *stored* order: the sensor's rows, never turned by EXIF or by a decoder. Pixel (0, 0) is the
centre of the first stored pixel. ``orientation`` is the EXIF value 1, 3, 6 or 8 that says how to turn them for viewing.

One kind of file is the exception: where the pixels are stored as a mirror image and the file says so (orientation 2, 4,
5 or 7), no lens took them so, and no card can be read. Such a photo is read as it is to be viewed, and its orientation
is 1; "stored pixels" means these everywhere.
"""

from __future__ import annotations

import hashlib
import io
import math
from collections.abc import Callable
from dataclasses import dataclass, replace
from datetime import datetime
from functools import lru_cache, reduce
from pathlib import Path
from typing import Any

import cv2
import numpy as np
import pillow_heif
from numpy.typing import NDArray
from PIL import Image
from PIL.ExifTags import IFD, Base
from PIL.JpegImagePlugin import JpegImageFile
from PIL.PngImagePlugin import PngImageFile
from PIL.TiffImagePlugin import TiffImageFile

from sillwright.errors import PhotoError
from sillwright.photo_bytes import heif_turns, jpeg_is_whole, sniff_format

Pixels = NDArray[np.uint8]

PHOTOS_KEPT = 6  # 12 MB gray and 9 MB at half size each: of a short run every step looks at the same pixels
# What the largest phones write, with room to spare: 108 megapixels, and files of some 30 MB.
LARGEST_FILE_BYTES = 60_000_000
LARGEST_PIXELS = 120_000_000
LONGEST_SIDE_PX = 20_000
LONGEST_EXIF_TEXT = 100

_DNG_VERSION_TAG = 50706

# What each orientation does to stored pixels for viewing (EXIF 2.32, tag 0x0112): swap rows and columns first, then
# mirror left-right, then mirror top-bottom.
_TURNS = {
    1: (False, False, False),
    2: (False, True, False),
    3: (False, True, True),
    4: (False, False, True),
    5: (True, False, False),
    6: (True, True, False),
    7: (True, True, True),
    8: (True, False, True),
}
_MIRRORED = (2, 4, 5, 7)
_ORIENTATION_OF_TURN = {turn: orientation for orientation, turn in _TURNS.items()}


@dataclass(frozen=True)
class PhotoFacts:
    """What a photo file says of itself. Sizes are of the stored picture; None where the file does not say.

    ``digital_zoom`` is 1.0 where the file says that none was used. ``taken`` is the camera's own clock.
    """

    path: Path
    sha256: str
    width_px: int
    height_px: int
    orientation: int
    make: str
    model: str
    focal_35mm: float | None
    focal_mm: float | None
    digital_zoom: float | None
    taken: datetime | None

    @property
    def lens_key(self) -> tuple[str | float | None, ...]:
        """Photos with equal keys may share one set of intrinsics: same phone, lens, zoom and stored size.

        The real focal length stands in only where the 35 mm equivalent is missing.
        """
        focal_mm = self.focal_mm if self.focal_35mm is None else None
        return (self.make, self.model, self.focal_35mm, focal_mm, self.digital_zoom, self.width_px, self.height_px)


@dataclass(frozen=True)
class _Opened:
    """A file past its guards: header read, no pixel decoded. ``decode(gray, half)`` gives the stored pixels."""

    content: bytes
    width_px: int
    height_px: int
    orientation: int
    exif: Image.Exif
    decode: Callable[[bool, bool], Pixels]


def read_facts(path: Path) -> PhotoFacts:
    """A photo's facts from its header. Raises PhotoError where the file is not a photo this package reads."""
    opened = _open(path)
    camera, lens = opened.exif, _ifd(opened.exif)
    zoom = _number(lens.get(Base.DigitalZoomRatio), least=0.0)
    return PhotoFacts(
        path=path,
        sha256=hashlib.sha256(opened.content).hexdigest(),
        width_px=opened.width_px,
        height_px=opened.height_px,
        orientation=opened.orientation,
        make=_text(camera.get(Base.Make)),
        model=_text(camera.get(Base.Model)),
        focal_35mm=_number(lens.get(Base.FocalLengthIn35mmFilm)),
        focal_mm=_number(lens.get(Base.FocalLength)),
        digital_zoom=1.0 if zoom == 0.0 else zoom,  # EXIF: zero says that no digital zoom was used
        taken=_moment(lens.get(Base.DateTimeOriginal)) or _moment(camera.get(Base.DateTime)),
    )


def read_exif(path: Path) -> Image.Exif:
    """All that a photo's EXIF says, place and serial numbers too. Raises PhotoError as :func:`read_facts` does."""
    return _open(path).exif


def read_pixels(path: Path) -> Pixels:
    """A photo's stored pixels, shape (H, W, 3), blue-green-red, 8 bits. Transparency is left out.

    Raises PhotoError where the file is not a photo this package reads, too large, or cut short.
    """
    return _decode(path, gray=False)


def read_gray(path: Path, *, keep: bool = False) -> Pixels:
    """A photo's stored pixels in gray, shape (H, W), 8 bits.

    With ``keep`` the last few are kept for whoever asks again, and cannot be written to. Raises PhotoError as
    :func:`read_pixels` does.
    """
    return _kept(_kept_gray, path) if keep else _decode(path, gray=True)


def read_half(path: Path, *, keep: bool = False) -> Pixels:
    """A photo's stored pixels at half size, shape (H/2, W/2, 3), blue-green-red: pixel p of the whole photo stands at
    ``(p + 0.5) / 2 - 0.5``. Cameras store colour no finer. ``keep`` and errors as in :func:`read_gray`.
    """
    return _kept(_kept_half, path) if keep else _decode(path, half=True)


def _kept(kept: Callable[[Path, int, int], Pixels], path: Path) -> Pixels:
    try:
        written = path.stat()
    except OSError as fault:
        raise PhotoError(f"{path} cannot be read: {fault.strerror or fault}.") from None
    return kept(path, written.st_mtime_ns, written.st_size)


@lru_cache(maxsize=PHOTOS_KEPT)
def _kept_gray(path: Path, _written_ns: int, _size: int) -> Pixels:
    return _frozen(_decode(path, gray=True))


@lru_cache(maxsize=PHOTOS_KEPT)
def _kept_half(path: Path, _written_ns: int, _size: int) -> Pixels:
    return _frozen(_decode(path, half=True))


def _frozen(pixels: Pixels) -> Pixels:
    pixels.flags.writeable = False
    return pixels


def turn_for_viewing(pixels: Pixels, orientation: int) -> Pixels:
    """Stored pixels, shape (H, W) or (H, W, C), turned as ``orientation`` (1 to 8) asks."""
    swap, mirror_x, mirror_y = _TURNS[orientation]
    turned = pixels.swapaxes(0, 1) if swap else pixels
    return np.ascontiguousarray(turned[:: -1 if mirror_y else 1, :: -1 if mirror_x else 1])


def fitted(pixels: Pixels, longest_px: int) -> Pixels:
    """A picture no longer than that, as it is where it is not."""
    height_px, width_px = pixels.shape[:2]
    scale = longest_px / max(width_px, height_px)
    if scale >= 1.0:
        return pixels
    small_px = (max(round(width_px * scale), 1), max(round(height_px * scale), 1))
    return np.asarray(cv2.resize(pixels, small_px, interpolation=cv2.INTER_AREA), dtype=np.uint8)


def turned_size(width_px: int, height_px: int, orientation: int) -> tuple[int, int]:
    """(width, height) in pixels of a stored size once turned for viewing."""
    return (height_px, width_px) if _TURNS[orientation][0] else (width_px, height_px)


def view_from_stored(
    points_px: NDArray[np.float64], orientation: int, width_px: int, height_px: int
) -> NDArray[np.float64]:
    """Points in the stored picture, shape (..., 2), to where they are in the picture turned for viewing.

    ``width_px`` and ``height_px`` are the stored size. Whole numbers are pixel centres in both.
    """
    swap, mirror_x, mirror_y = _TURNS[orientation]
    view_width_px, view_height_px = turned_size(width_px, height_px, orientation)
    turned = np.array(points_px, dtype=float)
    if swap:
        turned = turned[..., ::-1].copy()
    if mirror_x:
        turned[..., 0] = view_width_px - 1 - turned[..., 0]
    if mirror_y:
        turned[..., 1] = view_height_px - 1 - turned[..., 1]
    return turned


def stored_from_view(
    points_px: NDArray[np.float64], orientation: int, width_px: int, height_px: int
) -> NDArray[np.float64]:
    """The way back of :func:`view_from_stored`; ``width_px`` and ``height_px`` are the stored size here too."""
    return view_from_stored(points_px, _undo(orientation), *turned_size(width_px, height_px, orientation))


def _then(first: int, second: int) -> int:
    """The orientation that does ``first`` and then ``second``."""
    swap_1, x_1, y_1 = _TURNS[first]
    swap_2, x_2, y_2 = _TURNS[second]
    if swap_2:
        x_1, y_1 = y_1, x_1
    return _ORIENTATION_OF_TURN[(swap_1 != swap_2, x_1 != x_2, y_1 != y_2)]


def _undo(orientation: int) -> int:
    return {6: 8, 8: 6}.get(orientation, orientation)


def _open(path: Path) -> _Opened:
    content = _read_bytes(path)
    kind = sniff_format(content)
    if kind is None:
        raise PhotoError(f"{path} is not a JPEG, HEIC, PNG or TIFF photo. Copy the original from the phone again.")
    opener = {"JPEG": _open_jpeg, "PNG": _open_png, "TIFF": _open_tiff, "HEIC": _open_heic}[kind]
    try:
        opened = opener(content)
    except PhotoError as fault:
        raise PhotoError(f"{path} {fault}") from None
    except Exception as fault:  # decoders raise almost anything on a damaged header
        raise PhotoError(f"{path} is damaged: its header cannot be read. Copy the original again.") from fault
    opened = _righted(opened) if opened.orientation in _MIRRORED else opened
    width_px, height_px = opened.width_px, opened.height_px
    if min(width_px, height_px) < 1:
        raise PhotoError(f"{path} holds a picture without size. Copy the original again.")
    if max(width_px, height_px) > LONGEST_SIDE_PX or width_px * height_px > LARGEST_PIXELS:
        raise PhotoError(
            f"{path} is {width_px} x {height_px} pixels, more than any phone takes (at most "
            f"{LARGEST_PIXELS // 1_000_000} megapixels and {LONGEST_SIDE_PX} a side). Use the photo as taken."
        )
    return opened


def _righted(opened: _Opened) -> _Opened:
    """A file whose pixels are a mirror image, as one of the pixels it asks to be shown."""
    width_px, height_px = turned_size(opened.width_px, opened.height_px, opened.orientation)

    def decode(gray: bool, half: bool) -> Pixels:
        # Halved after turning: only then do odd sizes keep to the pixel grid that read_half states.
        return _reduced(turn_for_viewing(opened.decode(gray, False), opened.orientation), half)

    return replace(opened, width_px=width_px, height_px=height_px, orientation=1, decode=decode)


def _read_bytes(path: Path) -> bytes:
    try:
        if not path.is_file():
            raise PhotoError(f"{path} is not there, or is not a file. Check its name.")
        size = path.stat().st_size
        if size > LARGEST_FILE_BYTES:
            raise PhotoError(
                f"{path} is {size / 1e6:.0f} MB, and a photo may be at most {LARGEST_FILE_BYTES // 1_000_000} MB. "
                "Use the photo as the phone took it."
            )
        with path.open("rb") as stream:
            content = stream.read(LARGEST_FILE_BYTES)
    except (OSError, ValueError) as fault:
        raise PhotoError(f"{path} cannot be read ({fault}).") from fault
    if not content:
        raise PhotoError(f"{path} is empty. Copy the original from the phone again.")
    return content


# Pillow's readers are called by class, not by Image.open: that leaves out every other format, and Pillow's warning
# above 89 megapixels, which is replaced by the stricter guard in _open.


def _open_jpeg(content: bytes) -> _Opened:
    if not jpeg_is_whole(content):
        raise PhotoError("is cut short: the picture has no end. Copy the original from the phone again.")
    picture = JpegImageFile(io.BytesIO(content))
    exif = _exif(picture.getexif)

    def decode(gray: bool, half: bool) -> Pixels:
        flags = cv2.IMREAD_REDUCED_COLOR_2 if half else cv2.IMREAD_GRAYSCALE if gray else cv2.IMREAD_COLOR
        pixels = cv2.imdecode(np.frombuffer(content, np.uint8), flags | cv2.IMREAD_IGNORE_ORIENTATION)
        if pixels is None:
            raise ValueError("the decoder gave no picture")
        return np.asarray(pixels, dtype=np.uint8)

    return _Opened(content, *picture.size, _orientation(exif), exif, decode)


def _open_png(content: bytes) -> _Opened:
    picture = PngImageFile(io.BytesIO(content))
    # Only EXIF that stands before the pixels is read: Pillow would decode the whole picture to look behind them.
    exif = _exif(picture.getexif) if "exif" in picture.info else Image.Exif()
    return _Opened(
        content, *picture.size, _orientation(exif), exif, lambda gray, half: _reduced(_from_pillow(picture, gray), half)
    )


def _open_tiff(content: bytes) -> _Opened:
    picture = TiffImageFile(io.BytesIO(content))
    if _DNG_VERSION_TAG in picture.tag_v2:
        raise PhotoError("is a raw photo (DNG). Set the phone to JPEG or HEIC, or export it as one.")
    exif = _exif(picture.getexif)
    orientation = _orientation(exif)
    width_px, height_px = int(picture.tag_v2[Base.ImageWidth]), int(picture.tag_v2[Base.ImageLength])

    def decode(gray: bool, half: bool) -> Pixels:
        # Pillow turns a TIFF as it loads it.
        return _reduced(turn_for_viewing(_from_pillow(picture, gray), _undo(orientation)), half)

    return _Opened(content, width_px, height_px, orientation, exif, decode)


def _open_heic(content: bytes) -> _Opened:
    picture = pillow_heif.open_heif(content, convert_hdr_to_8bit=True, bgr_mode=True)
    # The decoder turns by the file's own steps and never by EXIF, so these, not EXIF, are what to undo.
    orientation = reduce(_then, heif_turns(content), 1)
    view_width_px, view_height_px = picture.size
    width_px, height_px = turned_size(view_width_px, view_height_px, orientation)
    exif = Image.Exif()
    exif_bytes = picture.info.get("exif")
    if exif_bytes:
        exif = _exif(lambda: _load_exif(exif_bytes))

    def decode(gray: bool, half: bool) -> Pixels:
        stored = turn_for_viewing(_as_bgr(np.asarray(picture)), _undo(orientation))
        stored = np.asarray(cv2.cvtColor(stored, cv2.COLOR_BGR2GRAY), dtype=np.uint8) if gray else stored
        return _reduced(stored, half)

    return _Opened(content, width_px, height_px, orientation, exif, decode)


def _decode(path: Path, *, gray: bool = False, half: bool = False) -> Pixels:
    opened = _open(path)
    try:
        pixels = opened.decode(gray, half)
    except PhotoError as fault:
        raise PhotoError(f"{path} {fault}") from None
    except Exception as fault:  # decoders raise almost anything on damaged data
        raise PhotoError(f"{path} is damaged or cut short. Copy the original from the phone again.") from fault
    share = 2 if half else 1
    if any(abs(n - m / share) >= 1.0 for n, m in zip(pixels.shape, (opened.height_px, opened.width_px), strict=False)):
        raise PhotoError(f"{path} is damaged: its picture is not of the size it states. Copy the original again.")
    return pixels


def _reduced(pixels: Pixels, half: bool) -> Pixels:
    if not half:
        return pixels
    height, width = (n // 2 for n in pixels.shape[:2])
    even = pixels[: 2 * height, : 2 * width]
    return np.asarray(cv2.resize(even, (width, height), interpolation=cv2.INTER_AREA), dtype=np.uint8)


def _from_pillow(picture: Image.Image, gray: bool) -> Pixels:
    if picture.mode in ("I", "F"):
        raise PhotoError("has 32 bits a pixel. Save it with 8 bits, or as JPEG.")
    picture.load()
    if picture.mode.startswith("I;16"):
        native = np.asarray(picture)
        level = np.right_shift(native, 8).astype(np.uint8)
        return level if gray else np.repeat(level[:, :, None], 3, axis=2)
    bgr = np.ascontiguousarray(np.asarray(picture.convert("RGB"))[:, :, ::-1])
    return np.asarray(cv2.cvtColor(bgr, cv2.COLOR_BGR2GRAY), dtype=np.uint8) if gray else bgr


def _as_bgr(pixels: Pixels) -> Pixels:
    """(H, W), (H, W, 1 or 2) gray or (H, W, 3 or 4) colour to (H, W, 3); the last of 2 or 4 is transparency."""
    if pixels.ndim == 2:
        pixels = pixels[:, :, None]
    colour = pixels[:, :, :1] if pixels.shape[2] < 3 else pixels[:, :, :3]
    return np.ascontiguousarray(np.broadcast_to(colour, (*pixels.shape[:2], 3)))


def _exif(read: Callable[[], Image.Exif]) -> Image.Exif:
    """EXIF, or none of it where it is damaged: the picture can still be measured."""
    try:
        exif = read()
        dict(exif)  # values are parsed as they are looked at
    except Exception:  # a damaged block can raise almost anything
        return Image.Exif()
    return exif


def _load_exif(exif_bytes: bytes) -> Image.Exif:
    exif = Image.Exif()
    exif.load(exif_bytes)
    return exif


def _ifd(exif: Image.Exif) -> dict[int, Any]:
    try:
        return dict(exif.get_ifd(IFD.Exif))
    except Exception:  # as in _exif
        return {}


def _orientation(exif: Image.Exif) -> int:
    value = exif.get(Base.Orientation)
    return value if isinstance(value, int) and value in _TURNS else 1


def _number(value: Any, least: float = 1e-9) -> float | None:
    """A finite EXIF number of at least ``least``, or None."""
    try:
        number = float(value)
    except (TypeError, ValueError, ZeroDivisionError, OverflowError):
        return None
    return number if math.isfinite(number) and number >= least else None


def _text(value: Any) -> str:
    if not isinstance(value, str):
        return ""
    return "".join(letter for letter in value if letter.isprintable()).strip()[:LONGEST_EXIF_TEXT]


def _moment(value: Any) -> datetime | None:
    try:
        return datetime.strptime(_text(value), "%Y:%m:%d %H:%M:%S")
    except ValueError:
        return None
