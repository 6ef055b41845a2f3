"""Photos: PNG and JPEG alone, their size known before anything is decoded, and a clean copy without hidden data."""

from __future__ import annotations

import io
import struct
import zlib
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Literal

from PIL import Image, UnidentifiedImageError

from server.metrology.readers.reasons import Reason

PIXELS_LIMIT = 50_000_000
JPEG_QUALITY = 92

_PNG = b"\x89PNG\r\n\x1a\n"
_JPEG = b"\xff\xd8\xff"
_PNG_KEPT = frozenset({b"IHDR", b"PLTE", b"tRNS", b"IDAT", b"IEND", b"eXIf"})
_EXIF_BYTES_LIMIT = 1 << 16
_PIECE_BYTES = 1 << 18
_ADAM7 = (
    (0, 0, 8, 8),
    (4, 0, 8, 8),
    (0, 4, 4, 8),
    (2, 0, 4, 4),
    (0, 2, 2, 4),
    (1, 0, 2, 2),
    (0, 1, 1, 2),
)
_ORIENTATION = 0x0112
_FRAMES = frozenset(range(0xC0, 0xD0)) - {0xC4, 0xC8, 0xCC}
_BARE = frozenset({0x01, *range(0xD0, 0xD8)})
_END_OF_IMAGE, _START_OF_SCAN = 0xD9, 0xDA
_OTHER_PICTURES = (
    (b"II*\x00", "a TIFF picture"),
    (b"MM\x00*", "a TIFF picture"),
    (b"II+\x00", "a TIFF picture"),
    (b"MM\x00+", "a TIFF picture"),
    (b"GIF8", "a GIF picture"),
    (b"RIFF", "a WebP picture or a sound"),
    (b"%PDF", "a PDF document"),
)


def is_picture(data: bytes) -> bool:
    """Whether a file begins as a photo that can be read does."""
    return data.startswith((_PNG, _JPEG))


@dataclass(frozen=True, slots=True)
class Picture:
    """A photo that could be decoded whole.

    width_px, height_px: as a person sees it, after the orientation its camera noted.
    clean: encoded anew in the same format, upright, without EXIF, place, texts, profiles or further pictures.
    """

    format: Literal["png", "jpeg"]
    width_px: int
    height_px: int
    clean: bytes


@dataclass(frozen=True, slots=True)
class _Stated:
    """What the header states, before any decoding; `data` holds only what is needed to decode."""

    format: Literal["png", "jpeg"]
    width_px: int
    height_px: int
    data: bytes


def read_picture(data: bytes) -> Picture:
    """The photo in `data`. Compressed texts and colour profiles are never unpacked.

    Raises: Unreadable, where it is no PNG or JPEG, is damaged, ends early or has more than 50 million pixels.
    """
    stated = _stated(data)
    try:
        with Image.open(io.BytesIO(stated.data), formats=(stated.format.upper(),)) as image:
            if image.size != (stated.width_px, stated.height_px):
                raise Reason.PICTURE_DAMAGED.refusal("The picture states two different sizes.")
            image.load()
            upright = _upright(image)
    except (OSError, SyntaxError, ValueError, struct.error, zlib.error, UnidentifiedImageError) as error:
        reason = Reason.PICTURE_CUT_SHORT if "truncated" in f"{error}" else Reason.PICTURE_DAMAGED
        raise reason.refusal() from error
    return Picture(stated.format, upright.width, upright.height, _encoded(upright, stated.format))


def _stated(data: bytes) -> _Stated:
    if not data:
        raise Reason.EMPTY.refusal()
    if data.startswith(_PNG):
        return _png(data)
    if data.startswith(_JPEG):
        return _jpeg(data)
    for signature, what in _OTHER_PICTURES:
        if data.startswith(signature):
            raise Reason.NOT_A_PHOTO.refusal(f"The file is {what}; only PNG and JPEG are accepted.")
    if b"<svg" in data[:4096].lower():
        raise Reason.NOT_A_PHOTO.refusal("The file is an SVG drawing; only PNG and JPEG are accepted.")
    raise Reason.NOT_A_PHOTO.refusal()


def _check_size(width_px: int, height_px: int) -> None:
    if width_px < 1 or height_px < 1:
        raise Reason.PICTURE_DAMAGED.refusal("The picture states a width or height of nothing.")
    if width_px * height_px > PIXELS_LIMIT:
        raise Reason.PICTURE_TOO_LARGE.refusal(
            f"The picture states {width_px} × {height_px} pixels; {PIXELS_LIMIT // 1_000_000} million are accepted."
        )


def _png(data: bytes) -> _Stated:
    """Walks the chunks (ISO/IEC 15948, clause 5), keeping those that are needed to decode the first picture."""
    kept: list[bytes] = [_PNG]
    width_px = height_px = 0
    for at, kind, body in _chunks(data):
        if width_px == 0:
            if kind != b"IHDR" or len(body) != 13:
                raise Reason.PICTURE_DAMAGED.refusal("The picture does not begin with its header.")
            width_px, height_px = struct.unpack_from(">II", body)
            _check_size(width_px, height_px)
        if kind in _PNG_KEPT and (kind != b"eXIf" or len(body) <= _EXIF_BYTES_LIMIT):
            kept.append(data[at : at + 12 + len(body)])
    whole = b"".join(kept)
    _check_pixels_are_all_there(whole)
    return _Stated("png", width_px, height_px, whole)


def _check_pixels_are_all_there(data: bytes) -> None:
    """Counts the unpacked bytes, holding few of them at a time: a decoder would fill what is missing with black."""
    inflater, n_bytes = zlib.decompressobj(), 0
    header = next(body for _, kind, body in _chunks(data) if kind == b"IHDR")
    expected = _png_bytes(header)
    for _, kind, body in _chunks(data):
        tail: bytes | memoryview = body if kind == b"IDAT" else b""
        while tail and n_bytes < expected and not inflater.eof:
            try:
                n_bytes += len(inflater.decompress(tail, _PIECE_BYTES))
            except zlib.error as error:
                raise Reason.PICTURE_DAMAGED.refusal() from error
            tail = inflater.unconsumed_tail
    if n_bytes + len(inflater.flush(_PIECE_BYTES)) < expected:
        raise Reason.PICTURE_CUT_SHORT.refusal()


def _png_bytes(header: memoryview) -> int:
    """Length of the filtered rows, each behind one byte (ISO/IEC 15948, clauses 7.2 and 8.2)."""
    width_px, height_px, depth, colour, _, _, interlace = struct.unpack(">IIBBBBB", header)
    bits = depth * {0: 1, 2: 3, 3: 1, 4: 2, 6: 4}.get(colour, 0)
    passes = _ADAM7 if interlace else ((0, 0, 1, 1),)
    total = 0
    for x, y, step_x, step_y in passes:
        columns, rows = -(-max(width_px - x, 0) // step_x), -(-max(height_px - y, 0) // step_y)
        total += rows * (1 + (columns * bits + 7) // 8) if columns else 0
    return total


def _chunks(data: bytes) -> Iterator[tuple[int, bytes, memoryview]]:
    """Place, kind and body of each chunk up to IEND. What follows IEND is left aside."""
    view = memoryview(data)
    at = len(_PNG)
    while at + 12 <= len(data):
        (length,) = struct.unpack_from(">I", data, at)
        if length > len(data) - at - 12:
            break
        kind, body = bytes(view[at + 4 : at + 8]), view[at + 8 : at + 8 + length]
        (checksum,) = struct.unpack_from(">I", data, at + 8 + length)
        if zlib.crc32(view[at + 4 : at + 8 + length]) != checksum:
            raise Reason.PICTURE_DAMAGED.refusal("A checksum of the picture is wrong.")
        yield at, kind, body
        if kind == b"IEND":
            return
        at += 12 + length
    raise Reason.PICTURE_CUT_SHORT.refusal()


def _jpeg(data: bytes) -> _Stated:
    """Walks the marker segments (ISO/IEC 10918-1, annex B) to the frame header and the first scan."""
    size: tuple[int, int] | None = None
    at = 2
    while at + 4 <= len(data):
        if data[at] != 0xFF:
            raise Reason.PICTURE_DAMAGED.refusal("The picture holds bytes between its segments.")
        marker = data[at + 1]
        if marker == 0xFF or marker in _BARE:
            at += 1 if marker == 0xFF else 2
            continue
        (length,) = struct.unpack_from(">H", data, at + 2)
        if marker == _END_OF_IMAGE or length < 2:
            raise Reason.PICTURE_DAMAGED.refusal()
        if marker in _FRAMES and at + 9 <= len(data):
            height_px, width_px = struct.unpack_from(">HH", data, at + 5)
            _check_size(width_px, height_px)
            if size is not None:
                raise Reason.PICTURE_DAMAGED.refusal("The picture states its size twice.")
            size = (width_px, height_px)
        at += 2 + length
        if marker == _START_OF_SCAN:
            return _jpeg_to_its_end(data, at, size)
    raise Reason.PICTURE_CUT_SHORT.refusal()


def _jpeg_to_its_end(data: bytes, at: int, size: tuple[int, int] | None) -> _Stated:
    """The picture up to its end mark, so that pictures appended to it are never looked at."""
    if size is None:
        raise Reason.PICTURE_DAMAGED.refusal("The picture never states its size.")
    end = data.find(bytes((0xFF, _END_OF_IMAGE)), at)
    if end < 0:
        raise Reason.PICTURE_CUT_SHORT.refusal()
    return _Stated("jpeg", *size, data[: end + 2])


def _upright(image: Image.Image) -> Image.Image:
    """The picture turned as its EXIF says, carrying nothing but pixels; a broken EXIF block turns nothing."""
    try:
        turned = image.getexif().get(_ORIENTATION, 1)
    except (OSError, SyntaxError, ValueError, KeyError, TypeError, struct.error):
        turned = 1
    has_transparency = "transparency" in image.info
    if image.mode in ("P", "PA") or has_transparency:
        image = image.convert("RGBA" if has_transparency or image.mode == "PA" else "RGB")
    elif image.mode not in ("1", "L", "LA", "RGB", "RGBA", "I;16"):
        image = image.convert("RGB")
    plain = image.copy()
    plain.info.clear()
    plain.getexif().clear()
    method = _TURNS.get(turned if isinstance(turned, int) else 1)
    return plain if method is None else plain.transpose(method)


_TURNS = {
    2: Image.Transpose.FLIP_LEFT_RIGHT,
    3: Image.Transpose.ROTATE_180,
    4: Image.Transpose.FLIP_TOP_BOTTOM,
    5: Image.Transpose.TRANSPOSE,
    6: Image.Transpose.ROTATE_270,
    7: Image.Transpose.TRANSVERSE,
    8: Image.Transpose.ROTATE_90,
}
"""The turn that undoes each value of the EXIF tag Orientation (CIPA DC-008, 4.6.4)."""


def _encoded(image: Image.Image, format_: Literal["png", "jpeg"]) -> bytes:
    held = io.BytesIO()
    if format_ == "png":
        image.save(held, "PNG", compress_level=6)
    else:
        image.save(held, "JPEG", quality=JPEG_QUALITY)
    return held.getvalue()
