"""A photo's facts and stored pixels, whatever its format, its turn or its damage.

Outside checks: Pillow's ``exif_transpose`` for the eight orientations (EXIF 2.32, tag 0x0112); a HEIF file's own turns
(ISO/IEC 23008-12) against a JPEG of the same pixels.
"""

from __future__ import annotations

import hashlib
import io
import os
import struct
import zlib
from datetime import datetime
from pathlib import Path

import cv2
import numpy as np
import pillow_heif
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from PIL import Image, ImageOps
from PIL.ExifTags import IFD, Base

from sillwright import photo
from sillwright.errors import PhotoError
from sillwright.photo import (
    read_facts,
    read_gray,
    read_half,
    read_pixels,
    stored_from_view,
    turn_for_viewing,
    turned_size,
    view_from_stored,
)
from sillwright.photo_bytes import heif_turns, jpeg_is_whole, sniff_format

SHARED_PHOTOS = Path(__file__).resolve().parents[1] / "../shared/photos"
WIDTH_PX, HEIGHT_PX = 96, 64
FORMATS = ("JPEG", "PNG", "TIFF", "HEIC")


def four_quarters() -> np.ndarray:
    """An RGB picture, (64, 96, 3), that looks different in each of its eight turns."""
    pixels = np.zeros((HEIGHT_PX, WIDTH_PX, 3), np.uint8)
    pixels[:32, :48], pixels[:32, 48:], pixels[32:, :48], pixels[32:, 48:] = (
        (200, 30, 30),
        (30, 200, 30),
        (30, 30, 200),
        (200, 200, 30),
    )
    return pixels


def exif_of(orientation: int) -> Image.Exif:
    exif = Image.Exif()
    exif[Base.Make] = "Phone\x00"
    exif[Base.Model] = " A "
    exif[Base.Orientation] = orientation
    lens = exif.get_ifd(IFD.Exif)
    lens[Base.FocalLengthIn35mmFilm] = 26
    lens[Base.FocalLength] = 5.43
    lens[Base.DigitalZoomRatio] = 0.0
    lens[Base.DateTimeOriginal] = "2026:05:21 13:10:07"
    return exif


def encoded(kind: str, orientation: int = 1, pixels: np.ndarray | None = None) -> bytes:
    picture = Image.fromarray(four_quarters() if pixels is None else pixels)
    stream = io.BytesIO()
    if kind == "HEIC":
        heif = pillow_heif.from_pillow(picture)
        # from_pillow turns nothing here: the EXIF goes in at saving, where it becomes the file's own turn.
        heif.save(stream, quality=95, exif=exif_of(orientation).tobytes())
    else:
        options = {"quality": 95} if kind == "JPEG" else {}
        picture.save(stream, kind, exif=exif_of(orientation).tobytes(), **options)
    return stream.getvalue()


def write(folder: Path, content: bytes, name: str = "photo.jpg") -> Path:
    path = folder / name
    path.write_bytes(content)
    return path


@pytest.mark.parametrize("orientation", [1, 3, 6, 8])
@pytest.mark.parametrize("kind", FORMATS)
def test_pixels_are_the_stored_rows_whatever_the_turn(tmp_path: Path, kind: str, orientation: int) -> None:
    path = write(tmp_path, encoded(kind, orientation))
    facts = read_facts(path)
    assert (facts.orientation, facts.width_px, facts.height_px) == (orientation, WIDTH_PX, HEIGHT_PX)
    pixels = read_pixels(path)
    assert (pixels.dtype, pixels.shape) == (np.uint8, (HEIGHT_PX, WIDTH_PX, 3))
    away = np.abs(pixels[:, :, ::-1].astype(int) - four_quarters())
    assert np.percentile(away, 90) <= 6
    assert read_gray(path).shape == (HEIGHT_PX, WIDTH_PX)
    assert np.abs(read_gray(path).astype(int) - cv2.cvtColor(pixels, cv2.COLOR_BGR2GRAY)).mean() < 1.5


@pytest.mark.parametrize("orientation", [2, 4, 5, 7])
@pytest.mark.parametrize("kind", FORMATS)
@pytest.mark.parametrize("cut", [0, 1])
def test_a_mirror_image_that_says_it_is_one_is_read_as_it_is_to_be_viewed(
    tmp_path: Path, kind: str, orientation: int, cut: int
) -> None:
    """Half size keeps to its pixel grid where a side is odd."""
    y, x = np.mgrid[: HEIGHT_PX - cut, : WIDTH_PX - cut]
    slope = np.dstack([2 * x, 3 * y, x + y]).astype(np.uint8)
    shown = turn_for_viewing(slope, orientation).astype(int)
    path = write(tmp_path, encoded(kind, orientation, slope))
    assert (read_facts(path).orientation, read_facts(path).height_px) == (1, shown.shape[0])
    assert np.abs(read_pixels(path)[:, :, ::-1] - shown).mean() < 1.5
    half = read_half(path)[:, :, ::-1].astype(float)
    means = (shown[:-1, :-1] + shown[1:, :-1] + shown[:-1, 1:] + shown[1:, 1:])[::2, ::2] / 4.0
    assert abs((half - means)[1:-1, 1:-1].mean()) < 0.45  # half a level is rounding, a pixel off is a whole one


@pytest.mark.parametrize("kind", FORMATS)
def test_camera_facts_are_read_from_each_format(tmp_path: Path, kind: str) -> None:
    content = encoded(kind, 6)
    path = write(tmp_path, content)
    facts = read_facts(path)
    assert (facts.path, facts.sha256) == (path, hashlib.sha256(content).hexdigest())
    assert (facts.make, facts.model, facts.focal_35mm, facts.digital_zoom) == ("Phone", "A", 26.0, 1.0)
    assert facts.focal_mm == pytest.approx(5.43, abs=1e-3)
    assert facts.taken == datetime(2026, 5, 21, 13, 10, 7)
    assert facts.lens_key == ("Phone", "A", 26.0, None, 1.0, WIDTH_PX, HEIGHT_PX)


def test_a_photo_without_exif_has_no_camera_facts(tmp_path: Path) -> None:
    stream = io.BytesIO()
    Image.fromarray(four_quarters()).save(stream, "JPEG")
    facts = read_facts(write(tmp_path, stream.getvalue()))
    assert (facts.make, facts.model, facts.focal_35mm, facts.taken, facts.orientation) == ("", "", None, None, 1)


@pytest.mark.parametrize("orientation", [0, 9, 65535])
def test_an_orientation_that_means_nothing_is_no_turn(tmp_path: Path, orientation: int) -> None:
    assert read_facts(write(tmp_path, encoded("JPEG", orientation))).orientation == 1


@pytest.mark.parametrize("orientation", [3, 6, 8])
def test_a_heic_gives_the_same_pixels_as_a_jpeg_of_the_same(tmp_path: Path, orientation: int) -> None:
    heic = read_pixels(write(tmp_path, encoded("HEIC", orientation), "photo.heic"))
    jpeg = read_pixels(write(tmp_path, encoded("JPEG", orientation), "photo.jpg"))
    assert np.abs(heic.astype(int) - jpeg).mean() < 4


@pytest.mark.parametrize("mode", ["RGB", "RGBA", "L", "LA"])
def test_a_heic_of_odd_size_with_or_without_colour_is_unturned(tmp_path: Path, mode: str) -> None:
    """HEVC pads odd sizes and crops them again; the crop must not shift the picture."""
    y, x = np.mgrid[:63, :95]
    slope = Image.fromarray(np.dstack([x * 2, y * 3, x + y]).astype(np.uint8)).convert(mode)
    stream = io.BytesIO()
    pillow_heif.from_pillow(slope).save(stream, quality=95, exif=exif_of(8).tobytes())
    pixels = read_pixels(write(tmp_path, stream.getvalue()))
    assert np.abs(pixels[:, :, ::-1].astype(int) - np.asarray(slope.convert("RGB"))).mean() < 1.5


@pytest.mark.parametrize(("turn", "exif_says"), [(1, 6), (6, 1), (8, 3)])
def test_a_heic_is_unturned_by_its_own_turn_and_not_by_exif(tmp_path: Path, turn: int, exif_says: int) -> None:
    """ISO/IEC 23008-12: EXIF orientation is for information; irot and imir are what a decoder carries out."""
    content, own = encoded("HEIC", turn), exif_of(turn).tobytes()[6:]
    assert own in content
    path = write(tmp_path, content.replace(own, exif_of(exif_says).tobytes()[6:]))
    assert read_facts(path).orientation == turn
    assert np.percentile(np.abs(read_pixels(path)[:, :, ::-1].astype(int) - four_quarters()), 90) <= 6


def test_a_tiled_heic_is_unturned_as_a_whole(tmp_path: Path) -> None:
    pixels = np.kron(four_quarters(), np.ones((8, 8, 1), np.uint8))
    stream = io.BytesIO()
    pillow_heif.from_pillow(Image.fromarray(pixels)).save(stream, quality=95, exif=exif_of(6).tobytes(), tile_size=256)
    path = write(tmp_path, stream.getvalue())
    assert (read_facts(path).orientation, read_facts(path).width_px) == (6, 768)
    assert np.percentile(np.abs(read_pixels(path)[:, :, ::-1].astype(int) - pixels), 90) <= 6


@pytest.mark.parametrize("orientation", range(1, 9))
def test_turning_agrees_with_pillow(orientation: int) -> None:
    exif = Image.Exif()
    exif[Base.Orientation] = orientation
    stored = np.random.default_rng(orientation).integers(0, 256, (5, 7, 3), dtype=np.uint8)
    picture = Image.fromarray(stored)
    picture.info["exif"] = exif.tobytes()
    expected = np.asarray(ImageOps.exif_transpose(picture))
    turned = turn_for_viewing(stored, orientation)
    assert np.array_equal(turned, expected)
    assert turned.flags.c_contiguous
    assert turned_size(7, 5, orientation) == expected.shape[1::-1]
    assert np.array_equal(turn_for_viewing(stored[:, :, 0], orientation), expected[:, :, 0])


@given(orientation=st.integers(1, 8), width=st.integers(1, 9), height=st.integers(1, 9), data=st.data())
def test_a_point_turns_with_its_pixel(orientation: int, width: int, height: int, data: st.DataObject) -> None:
    x, y = data.draw(st.integers(0, width - 1)), data.draw(st.integers(0, height - 1))
    stored = np.zeros((height, width), np.uint8)
    stored[y, x] = 255
    view_x, view_y = view_from_stored(np.array([[x, y]], float), orientation, width, height)[0]
    turned = turn_for_viewing(stored, orientation)
    assert turned[int(view_y), int(view_x)] == 255
    assert stored_from_view(np.array([[view_x, view_y]]), orientation, width, height).tolist() == [[x, y]]


def test_turning_points_leaves_the_given_array_alone() -> None:
    points = np.array([[1.0, 2.0]])
    view_from_stored(points, 7, 10, 20)
    assert points.tolist() == [[1.0, 2.0]]


@pytest.mark.parametrize(
    ("mode", "kind"),
    [
        ("L", "PNG"), ("LA", "PNG"), ("RGBA", "PNG"), ("P", "PNG"), ("1", "PNG"), ("I;16", "PNG"),
        ("L", "TIFF"), ("RGBA", "TIFF"), ("I;16", "TIFF"), ("CMYK", "TIFF"), ("L", "JPEG"), ("CMYK", "JPEG"),
    ],
)  # fmt: skip
def test_gray_deep_and_see_through_pictures_become_8_bit_colour(tmp_path: Path, mode: str, kind: str) -> None:
    level = np.tile(np.arange(64, dtype=np.uint8) * 4, (16, 1))
    picture = Image.fromarray(level.astype(np.uint16) << 8) if mode == "I;16" else Image.fromarray(level).convert(mode)
    stream = io.BytesIO()
    picture.save(stream, kind)
    path = write(tmp_path, stream.getvalue())
    pixels, gray = read_pixels(path), read_gray(path)
    assert (pixels.shape, pixels.dtype, gray.shape, gray.dtype) == ((16, 64, 3), np.uint8, (16, 64), np.uint8)
    if mode != "1":
        assert np.abs(pixels.astype(int) - level[:, :, None]).max() <= 6
        assert np.abs(gray.astype(int) - level).max() <= 6


def test_deep_colour_keeps_its_top_8_bits(tmp_path: Path) -> None:
    deep = np.random.default_rng(1).integers(0, 65536, (9, 11, 3), dtype=np.uint16)
    for name in ("deep.png", "deep.tif"):
        written, content = cv2.imencode(Path(name).suffix, deep)
        assert written
        path = write(tmp_path, content.tobytes(), name)
        assert np.abs(read_pixels(path).astype(int) - (deep >> 8)).max() <= 1


def test_transparency_does_not_darken_the_picture(tmp_path: Path) -> None:
    see_through = np.dstack([four_quarters(), np.zeros((HEIGHT_PX, WIDTH_PX), np.uint8)])
    pixels = read_pixels(write(tmp_path, _png(see_through)))
    assert np.array_equal(pixels[:, :, ::-1], four_quarters())


def _png(pixels: np.ndarray) -> bytes:
    stream = io.BytesIO()
    Image.fromarray(pixels).save(stream, "PNG")
    return stream.getvalue()


@pytest.mark.parametrize("kind", FORMATS)
def test_the_format_is_known_by_content_and_not_by_name(tmp_path: Path, kind: str) -> None:
    content = encoded(kind)
    assert sniff_format(content) == kind
    for name in ("photo.jpg", "photo.heic", "photo", "photo.txt"):
        assert read_pixels(write(tmp_path, content, name)).shape == (HEIGHT_PX, WIDTH_PX, 3)


@pytest.mark.parametrize("kind", FORMATS)
@pytest.mark.parametrize("share", [0.02, 0.3, 0.6, 0.9, 0.97])
def test_a_file_cut_short_is_refused(tmp_path: Path, kind: str, share: float) -> None:
    noise = np.random.default_rng(2).integers(0, 256, (HEIGHT_PX, WIDTH_PX, 3), dtype=np.uint8)
    content = encoded(kind, pixels=noise)
    path = write(tmp_path, content[: int(len(content) * share)])
    with pytest.raises(PhotoError, match=r"photo\.jpg .*(again|name)"):
        read_pixels(path)


def test_a_jpeg_is_whole_with_what_phones_put_around_it() -> None:
    inner, outer = encoded("JPEG"), encoded("JPEG", 6)
    with_thumbnail = outer[:2] + b"\xff\xe5" + struct.pack(">H", len(inner) + 2) + inner + outer[2:]
    assert jpeg_is_whole(outer)
    assert jpeg_is_whole(outer + b"film and more pictures" + inner)
    assert jpeg_is_whole(with_thumbnail)
    # The thumbnail's end is not the picture's end.
    assert not jpeg_is_whole(with_thumbnail[:-2])
    for length in range(len(outer)):
        assert not jpeg_is_whole(outer[:length])


def test_a_progressive_jpeg_is_read(tmp_path: Path) -> None:
    stream = io.BytesIO()
    Image.fromarray(four_quarters()).save(stream, "JPEG", progressive=True, quality=95)
    assert read_pixels(write(tmp_path, stream.getvalue())).shape == (HEIGHT_PX, WIDTH_PX, 3)


@pytest.mark.parametrize(
    ("content", "says"),
    [
        (b"", "is empty"),
        (b"these are notes, not a photo", "is not a JPEG"),
        (b"<svg/>", "is not a JPEG"),
        (b"GIF89a" + bytes(20), "is not a JPEG"),
        (b"%PDF-1.7", "is not a JPEG"),
        (b"\x89PNG\r\n\x1a\n" + bytes(20), "damaged"),
        (b"II*\x00" + bytes(20), "damaged"),
        (b"\x00\x00\x00\x18ftypheic" + bytes(40), "damaged"),
        (b"\xff\xd8\xff", "cut short"),
        (b"\xff\xd8\xff\xd9", "damaged"),
    ],
)
def test_what_is_no_photo_is_refused_by_name(tmp_path: Path, content: bytes, says: str) -> None:
    path = write(tmp_path, content)
    for read in (read_facts, read_pixels, read_gray):
        with pytest.raises(PhotoError, match=rf"photo\.jpg .*{says}"):
            read(path)


def test_what_is_no_file_is_refused_without_waiting(tmp_path: Path) -> None:
    os.mkfifo(tmp_path / "pipe.jpg")
    for path in (tmp_path, tmp_path / "none.jpg", tmp_path / "pipe.jpg", Path("nul\x00.jpg")):
        with pytest.raises(PhotoError):
            read_pixels(path)


def _png_header(width_px: int, height_px: int) -> bytes:
    def chunk(kind: bytes, body: bytes) -> bytes:
        return struct.pack(">I", len(body)) + kind + body + struct.pack(">I", zlib.crc32(kind + body))

    header = struct.pack(">IIBBBBB", width_px, height_px, 8, 2, 0, 0, 0)
    return b"\x89PNG\r\n\x1a\n" + chunk(b"IHDR", header) + chunk(b"IDAT", zlib.compress(b"")) + chunk(b"IEND", b"")


@pytest.mark.parametrize(("width_px", "height_px"), [(20_001, 10), (10, 20_001), (12_001, 10_000), (19_000, 19_000)])
def test_a_picture_larger_than_phones_take_is_refused_by_its_header(
    tmp_path: Path, width_px: int, height_px: int
) -> None:
    with pytest.raises(PhotoError, match="more than any phone takes"):
        read_facts(write(tmp_path, _png_header(width_px, height_px)))


def test_the_largest_phone_picture_passes_the_header_without_a_warning(
    tmp_path: Path, recwarn: pytest.WarningsRecorder
) -> None:
    assert read_facts(write(tmp_path, _png_header(12_000, 9_000))).width_px == 12_000
    assert not recwarn.list


def test_a_file_larger_than_photos_are_is_not_read(tmp_path: Path) -> None:
    path = tmp_path / "photo.jpg"
    with path.open("wb") as stream:
        stream.truncate(photo.LARGEST_FILE_BYTES + 1)
    with pytest.raises(PhotoError, match="at most 60 MB"):
        read_facts(path)


def test_a_raw_photo_says_what_to_do(tmp_path: Path) -> None:
    stream = io.BytesIO()
    Image.fromarray(four_quarters()).save(stream, "TIFF", tiffinfo={50706: bytes([1, 4, 0, 0])})
    with pytest.raises(PhotoError, match="raw photo"):
        read_facts(write(tmp_path, stream.getvalue()))


def test_damaged_exif_does_not_cost_the_picture(tmp_path: Path) -> None:
    content = encoded("JPEG", 6)
    at = content.index(b"Exif\x00\x00") + 6
    path = write(tmp_path, content[:at] + b"\xff" * 40 + content[at + 40 :])
    assert read_facts(path).make == ""
    assert read_pixels(path).shape == (HEIGHT_PX, WIDTH_PX, 3)


SEEDS = {kind: encoded(kind, 6) for kind in FORMATS}


@settings(max_examples=150, deadline=None)
@given(
    kind=st.sampled_from(FORMATS),
    places=st.lists(st.tuples(st.floats(0, 1, exclude_max=True), st.integers(0, 255)), min_size=1, max_size=12),
)
def test_any_damage_gives_a_picture_or_a_photo_error(
    tmp_path_factory: pytest.TempPathFactory, kind: str, places: list[tuple[float, int]]
) -> None:
    content = bytearray(SEEDS[kind])
    for share, value in places:
        content[int(share * len(content))] = value
    path = write(tmp_path_factory.getbasetemp(), bytes(content), "damaged")
    for read in (read_facts, read_pixels, read_gray):
        try:
            read(path)
        except PhotoError as fault:
            assert "damaged" in str(fault)  # noqa: PT017 - every example must name the file, raised or not


@given(st.binary(max_size=200))
def test_any_bytes_have_turns_or_none(content: bytes) -> None:
    assert all(1 <= turn <= 8 for turn in heif_turns(content))
    assert all(1 <= turn <= 8 for turn in heif_turns(b"\x00\x00\x00\x00meta" + content))


def test_the_shared_photos_are_read_as_their_truth_states() -> None:
    scene = SHARED_PHOTOS / "d1"
    if not scene.is_dir():
        pytest.skip("the shared photos are not beside this repository")
    facts = read_facts(scene / "d1_01.jpg")
    assert (facts.width_px, facts.height_px, facts.focal_35mm) == (4032, 3024, 28.0)
    pixels = read_pixels(scene / "d1_01.jpg")
    assert pixels.shape == (3024, 4032, 3)


def test_a_half_that_is_kept_is_read_once_until_the_file_changes(tmp_path: Path) -> None:
    path = tmp_path / "a.png"
    Image.fromarray(np.full((40, 60, 3), 90, np.uint8)).save(path)
    first = read_half(path, keep=True)
    assert read_half(path, keep=True) is first
    assert not first.flags.writeable
    assert read_half(path).flags.writeable
    Image.fromarray(np.full((40, 80, 3), 10, np.uint8)).save(path)
    assert read_half(path, keep=True).shape == (20, 40, 3)
    path.unlink()
    with pytest.raises(PhotoError, match="cannot be read"):
        read_half(path, keep=True)
