"""Hostile and ordinary photos, made byte by byte (PNG after ISO/IEC 15948, JPEG after ISO/IEC 10918-1)."""

from __future__ import annotations

import io
import struct
import tracemalloc
import zlib

import pytest
from PIL import Image
from PIL.PngImagePlugin import PngInfo

from server.metrology.readers.picture import read_picture
from server.metrology.readers.reading import Unreadable

SIGNATURE = b"\x89PNG\r\n\x1a\n"


def _chunk(kind: bytes, body: bytes) -> bytes:
    return struct.pack(">I", len(body)) + kind + body + struct.pack(">I", zlib.crc32(kind + body))


def _png(width: int, height: int, *extra: bytes) -> bytes:
    """Grey, eight bits; pixels only where they are few."""
    rows = b"".join(b"\x00" + bytes(width) for _ in range(height)) if width * height < 10_000 else b""
    header = _chunk(b"IHDR", struct.pack(">IIBBBBB", width, height, 8, 0, 0, 0, 0))
    return SIGNATURE + header + b"".join(extra) + _chunk(b"IDAT", zlib.compress(rows)) + _chunk(b"IEND", b"")


def _photo(format_: str, size: tuple[int, int] = (6, 4), **how: object) -> bytes:
    held = io.BytesIO()
    image = Image.new("RGB", size, (200, 120, 90))
    image.putpixel((0, 0), (0, 0, 255))
    image.save(held, format_, **how)
    return held.getvalue()


def _exif(orientation: int = 1) -> Image.Exif:
    exif = Image.Exif()
    exif[0x0112] = orientation
    exif[0x010F] = "CANARY-MAKER"
    exif.get_ifd(0x8825)[1] = "N"
    exif.get_ifd(0x8825)[2] = (47.0, 22.0, 11.5)
    return exif


def _reason(data: bytes) -> str:
    with pytest.raises(Unreadable) as refused:
        read_picture(data)
    assert refused.value.says
    assert refused.value.remedy
    return refused.value.reason


@pytest.mark.parametrize(("format_", "name"), [("PNG", "png"), ("JPEG", "jpeg")])
def test_an_ordinary_photo(format_: str, name: str) -> None:
    picture = read_picture(_photo(format_))
    assert (picture.format, picture.width_px, picture.height_px) == (name, 6, 4)
    with Image.open(io.BytesIO(picture.clean)) as again:
        assert (again.format, again.size) == (format_, (6, 4))


def test_png_pixels_are_unchanged() -> None:
    data = _photo("PNG")
    with Image.open(io.BytesIO(data)) as before, Image.open(io.BytesIO(read_picture(data).clean)) as after:
        assert before.tobytes() == after.tobytes()


@pytest.mark.parametrize("mode", ["1", "L", "LA", "P", "RGB", "RGBA", "I;16"])
def test_every_mode_of_png(mode: str) -> None:
    held = io.BytesIO()
    Image.new(mode, (5, 3)).save(held, "PNG")
    assert read_picture(held.getvalue()).width_px == 5


@pytest.mark.parametrize("mode", ["L", "CMYK"])
def test_grey_and_print_colours_of_jpeg(mode: str) -> None:
    held = io.BytesIO()
    Image.new(mode, (5, 3)).save(held, "JPEG", progressive=True)
    assert read_picture(held.getvalue()).height_px == 3


@pytest.mark.parametrize("format_", ["PNG", "JPEG"])
def test_place_and_camera_are_not_in_the_clean_copy(format_: str) -> None:
    data = _photo(format_, exif=_exif())
    assert b"CANARY-MAKER" in data
    clean = read_picture(data).clean
    assert b"CANARY" not in clean
    assert b"Exif" not in clean
    assert b"eXIf" not in clean
    with Image.open(io.BytesIO(clean)) as image:
        assert not image.getexif()


def test_jpeg_comments_are_not_in_the_clean_copy() -> None:
    clean = read_picture(_photo("JPEG", comment=b"CANARY", icc_profile=b"CANARY" * 40)).clean
    assert b"CANARY" not in clean
    assert b"\xff\xe1" not in clean


@pytest.mark.parametrize("format_", ["PNG", "JPEG"])
@pytest.mark.parametrize("orientation", range(1, 9))
def test_orientation_is_applied(format_: str, orientation: int) -> None:
    picture = read_picture(_photo(format_, (48, 32), exif=_exif(orientation)))
    assert (picture.width_px, picture.height_px) == ((48, 32) if orientation < 5 else (32, 48))


@pytest.mark.parametrize(
    ("orientation", "corner"),
    [
        (1, (0, 0)),
        (2, (5, 0)),
        (3, (5, 3)),
        (4, (0, 3)),
        (5, (0, 0)),
        (6, (3, 0)),
        (7, (3, 5)),
        (8, (0, 5)),
    ],
)
def test_the_first_stored_pixel_lands_where_the_tag_says(orientation: int, corner: tuple[int, int]) -> None:
    """The table of Orientation in CIPA DC-008, from memory: e.g. 6, the 0th row is the right-hand side."""
    clean = read_picture(_photo("PNG", exif=_exif(orientation))).clean
    with Image.open(io.BytesIO(clean)) as image:
        assert image.getpixel(corner) == (0, 0, 255)


def test_a_huge_png_is_refused_from_its_header() -> None:
    data = _png(60_000, 60_000)
    tracemalloc.start()
    try:
        assert _reason(data) == "picture-too-large"
        assert tracemalloc.get_traced_memory()[1] < 1_000_000
    finally:
        tracemalloc.stop()


def test_a_huge_jpeg_is_refused_from_its_header() -> None:
    data = bytearray(_photo("JPEG"))
    at = data.index(b"\xff\xc0") + 5
    struct.pack_into(">HH", data, at, 60_000, 60_000)
    assert _reason(bytes(data)) == "picture-too-large"


def test_the_limit_itself() -> None:
    assert _reason(_png(50_000_001, 1)) == "picture-too-large"
    assert _reason(_png(50_000_000, 1)) in ("picture-cut-short", "picture-damaged")
    assert _reason(_png(0, 5)) == "picture-damaged"


@pytest.mark.parametrize("kind", [b"zTXt", b"iTXt", b"iCCP"])
def test_a_text_bomb_is_never_unpacked(kind: bytes) -> None:
    packed = zlib.compress(bytes(200_000_000), 9)
    middle = b"\x00\x01\x00\x00\x00" if kind == b"iTXt" else b"\x00\x00"
    data = _png(4, 4, _chunk(kind, b"word" + middle + packed))
    tracemalloc.start()
    try:
        assert read_picture(data).width_px == 4
        assert tracemalloc.get_traced_memory()[1] < 4_000_000
    finally:
        tracemalloc.stop()


def test_texts_are_not_in_the_clean_copy() -> None:
    info = PngInfo()
    info.add_text("Author", "CANARY")
    assert b"CANARY" not in read_picture(_photo("PNG", pnginfo=info)).clean


@pytest.mark.parametrize("format_", ["PNG", "JPEG"])
def test_every_cut_is_refused(format_: str) -> None:
    data = _photo(format_, (24, 16))
    for length in range(1, len(data)):
        assert _reason(data[:length]) in ("picture-cut-short", "picture-damaged", "not-a-photo")


def test_a_cut_is_named_as_one() -> None:
    assert _reason(_photo("PNG")[:-6]) == "picture-cut-short"
    assert _reason(_photo("JPEG")[:-1]) == "picture-cut-short"


def test_a_png_whose_pixels_end_early_is_refused() -> None:
    rows = zlib.compress(bytes(5 * 3))
    header = _chunk(b"IHDR", struct.pack(">IIBBBBB", 4, 40, 8, 0, 0, 0, 0))
    assert _reason(SIGNATURE + header + _chunk(b"IDAT", rows) + _chunk(b"IEND", b"")) in (
        "picture-cut-short",
        "picture-damaged",
    )


def test_a_wrong_checksum_is_refused() -> None:
    data = bytearray(_photo("PNG"))
    data[-20] ^= 1
    assert _reason(bytes(data)) == "picture-damaged"


@pytest.mark.parametrize(
    "data",
    [
        b"<svg xmlns='http://www.w3.org/2000/svg'><script>1</script></svg>",
        b"<?xml version='1.0'?><!-- x --><svg/>",
        b"II*\x00\x08\x00\x00\x00" + struct.pack("<H12xI", 1, 8),
        b"MM\x00*" + bytes(40),
        b"GIF89a" + bytes(40),
        b"BM" + bytes(60),
        b"RIFF\x20\x00\x00\x00WEBPVP8 " + bytes(30),
        b"<!doctype html><html></html>",
        bytes(500),
        b"\x00",
    ],
)
def test_other_kinds_are_refused(data: bytes) -> None:
    assert _reason(data) == "not-a-photo"


def test_an_empty_file_is_refused() -> None:
    assert _reason(b"") == "empty"


def test_what_is_appended_does_not_survive() -> None:
    for format_ in ("PNG", "JPEG"):
        assert b"CANARY" not in read_picture(_photo(format_) + b"CANARY PK\x03\x04").clean


def test_a_broken_exif_block_turns_nothing() -> None:
    loop = b"II*\x00\x08\x00\x00\x00" + struct.pack("<HHHIII", 1, 0x8769, 4, 1, 8, 8)
    for block in (b"Exif\x00\x00" + loop, b"Exif\x00\x00garbage", b"Exif\x00\x00II*\x00\xff\xff\xff\xff"):
        assert read_picture(_photo("JPEG", exif=block)).width_px == 6


def test_an_interlaced_png_is_counted_by_its_passes() -> None:
    """5 × 5 grey, eight bits: the rows of seven passes, each behind one byte."""
    header = _chunk(b"IHDR", struct.pack(">IIBBBBB", 5, 5, 8, 0, 0, 0, 1))
    end = _chunk(b"IEND", b"")

    def made(n_bytes: int) -> bytes:
        return SIGNATURE + header + _chunk(b"IDAT", zlib.compress(bytes(n_bytes))) + end

    # rows × (1 + columns) of the seven passes, ISO/IEC 15948 figure 8.2
    whole = 1 * 2 + 1 * 2 + 1 * 3 + 2 * 2 + 1 * 4 + 3 * 3 + 2 * 6
    assert read_picture(made(whole)).width_px == 5
    assert _reason(made(whole - 1)) == "picture-cut-short"
