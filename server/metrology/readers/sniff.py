"""What a file is by its content; its name is asked only where the content leaves it open."""

from __future__ import annotations

import re
from enum import StrEnum

import numpy as np

from server.metrology.readers.reasons import Reason
from server.metrology.readers.stl_binary import HEADER_BYTES, obeys_size_law

HEAD_BYTES = 1024
BYTE_ORDER_MARK = b"\xef\xbb\xbf"


class Kind(StrEnum):
    """What can be read: the format family; the readers tell its variants apart."""

    STL_BINARY = "binary STL"
    STL_ASCII = "ASCII STL"
    PLY = "PLY"
    OBJ = "OBJ"
    THREEMF = "3MF"

    @property
    def suffix(self) -> str:
        return {"binary STL": ".stl", "ASCII STL": ".stl"}.get(self.value, f".{self.value.lower()}")


_SIGNATURES: tuple[tuple[int, bytes, Reason, str], ...] = (
    (0, b"\x89PNG\r\n\x1a\n", Reason.PICTURE, "a PNG picture"),
    (0, b"\xff\xd8\xff", Reason.PICTURE, "a JPEG picture"),
    (0, b"GIF8", Reason.PICTURE, "a GIF picture"),
    (0, b"II*\x00", Reason.PICTURE, "a TIFF picture"),
    (0, b"MM\x00*", Reason.PICTURE, "a TIFF picture"),
    (0, b"II+\x00", Reason.PICTURE, "a TIFF picture"),
    (0, b"8BPS", Reason.PICTURE, "a layered picture"),
    (8, b"WEBP", Reason.PICTURE, "a WebP picture"),
    (4, b"ftyphe", Reason.PICTURE, "a HEIF picture"),
    (4, b"ftypmif1", Reason.PICTURE, "a HEIF picture"),
    (4, b"ftypavif", Reason.PICTURE, "an AVIF picture"),
    (4, b"ftyp", Reason.OTHER_DATA, "a video"),
    (0, b"%PDF", Reason.DOCUMENT, "a PDF document"),
    (0, b"{\\rtf", Reason.DOCUMENT, "a text document"),
    (0, b"\xd0\xcf\x11\xe0\xa1\xb1\x1a\xe1", Reason.DOCUMENT, "an office document"),
    (128, b"DICM", Reason.OTHER_DATA, "a DICOM image"),
    (0, b"PK\x05\x06", Reason.ARCHIVE, "an empty zip archive"),
    (0, b"PK\x07\x08", Reason.ARCHIVE, "a split zip archive"),
    (0, b"7z\xbc\xaf\x27\x1c", Reason.ARCHIVE, "a 7z archive"),
    (0, b"Rar!\x1a\x07", Reason.ARCHIVE, "a rar archive"),
    (0, b"\x1f\x8b\x08", Reason.ARCHIVE, "a gzip archive"),
    (0, b"BZh", Reason.ARCHIVE, "a bzip2 archive"),
    (0, b"\xfd7zXZ\x00", Reason.ARCHIVE, "an xz archive"),
    (0, b"\x28\xb5\x2f\xfd", Reason.ARCHIVE, "a zstd archive"),
    (257, b"ustar", Reason.ARCHIVE, "a tar archive"),
    (0, b"L\x00\x00\x00\x01\x14\x02\x00", Reason.CLOUD_PLACEHOLDER, "a shortcut to another file"),
    (0, b"bplist00", Reason.CLOUD_PLACEHOLDER, "a property list, as cloud drives leave in place of a file"),
    (0, b"[InternetShortcut]", Reason.CLOUD_PLACEHOLDER, "a shortcut to a web address"),
    (0, b"glTF", Reason.UNKNOWN_FORMAT, "a glTF file"),
    (0, b"MZ\x90\x00", Reason.OTHER_DATA, "a program"),
    (0, b"\x7fELF", Reason.OTHER_DATA, "a program"),
    (0, b"SQLite format 3\x00", Reason.OTHER_DATA, "a database"),
)

_STORE_POINTER = re.compile(
    rb"version https?://\S+/spec/v\d+\s+(?:ext-\S+ \S+\s+)*oid [0-9a-z]+:[0-9a-f]{32,}"
)
_ANNEX_POINTER = re.compile(rb"(?:\.\./)*/?(?:\.git/)?annex/objects/\S+\s*\Z")
_WEB_PAGE = re.compile(rb"<!doctype html|<html|<head\b|<body\b|<script\b|<title>")
_SERVER_ERROR = re.compile(rb"<error>.*<code>|<errors?\b|\Ahttp/\d", re.DOTALL)
_CLOUD_NOTE = re.compile(rb'\A\{.*"(?:url|doc_id|resource_id|file_id)"', re.DOTALL)
_SOLID = re.compile(rb"solid(?:\s|\Z)", re.IGNORECASE)
_FIRST_FACET = re.compile(rb"solid\b[^\r\n\0]*\s+facet\s+normal\s", re.IGNORECASE)
_OBJ_STATEMENT = re.compile(
    rb"^[ \t]*(?:v[nt]?[ \t]+[-+.\d]|f[ \t]+[-\d]|(?:mtllib|usemtl|o|g)[ \t]+\S)", re.MULTILINE
)
_UTF16_MARKS = (b"\xff\xfe", b"\xfe\xff", b"\x00\x00\xfe\xff")


def kind_of(data: memoryview, suffix: str) -> Kind:
    """The kind of mesh file. suffix: the ending of its name in lower case, with the dot.

    Raises: Unreadable, saying what the file is, where it is no mesh file that can be read.
    """
    if obeys_size_law(data) and len(data) > HEADER_BYTES:
        return Kind.STL_BINARY
    head = bytes(data[:HEAD_BYTES])
    if not any(head) and not np.frombuffer(data, np.uint8).any():
        raise Reason.ONLY_NUL_BYTES.refusal(f"The file is {len(data)} zero bytes and nothing else.")
    _refuse_other_things(head)
    if head.startswith(b"PK\x03\x04"):
        return Kind.THREEMF
    if _is_utf16(head):
        raise Reason.UTF16_TEXT.refusal()
    text = head.removeprefix(BYTE_ORDER_MARK).lstrip()
    if re.match(rb"ply[ \t]*[\r\n]", text):
        return Kind.PLY
    if _FIRST_FACET.match(text):
        return Kind.STL_ASCII
    if _looks_like_text(text):
        return _kind_of_text(text, suffix)
    return _kind_of_binary(head, suffix)


def _refuse_other_things(head: bytes) -> None:
    for at, signature, reason, what in _SIGNATURES:
        if head.startswith(signature, at):
            raise reason.refusal(f"The file is {what}, not a scan that can be read.")
    if (
        head.startswith(b"BM")
        and head[6:10] == bytes(4)
        and head[14:18] in (b"\x28\0\0\0", b"\x6c\0\0\0", b"\x7c\0\0\0")
    ):
        raise Reason.PICTURE.refusal("The file is a bitmap picture, not a scan.")
    text = head.removeprefix(BYTE_ORDER_MARK).lstrip()
    if _STORE_POINTER.match(text) or _ANNEX_POINTER.match(text):
        raise Reason.POINTER_FILE.refusal()
    small = text.lower()
    if _CLOUD_NOTE.match(small):
        raise Reason.CLOUD_PLACEHOLDER.refusal()
    if small.startswith(b"http/") or (small.startswith(b"<") and _WEB_PAGE.search(small)):
        raise Reason.WEB_PAGE.refusal()
    if small.startswith(b"<") and b"<svg" in small:
        raise Reason.PICTURE.refusal("The file is an SVG picture, not a scan.")
    if small.startswith(b"<") and _SERVER_ERROR.search(small):
        raise Reason.WEB_PAGE.refusal("The file is the error message of a web server, not a scan.")


def _is_utf16(head: bytes) -> bool:
    """By its mark, or where every other byte of the beginning is zero and the rest is text."""
    if head.startswith(_UTF16_MARKS):
        return True
    for first_zero in (0, 1):
        zeros, letters = head[first_zero:64:2], head[1 - first_zero : 64 : 2]
        if len(letters) >= 4 and not any(zeros) and _looks_like_text(letters):
            return True
    return False


def _looks_like_text(sample: bytes) -> bool:
    """No control character but tab, line ends and escape. Empty is not text."""
    return bool(sample) and not re.search(rb"[\x00-\x08\x0e-\x1a\x1c-\x1f\x7f]", sample)


def _kind_of_text(text: bytes, suffix: str) -> Kind:
    if _SOLID.match(text):
        return Kind.STL_ASCII
    if suffix == ".obj" or _OBJ_STATEMENT.search(text):
        return Kind.OBJ
    raise Reason.UNKNOWN_FORMAT.refusal(
        "The file is text, but none of the mesh formats that can be read here."
    )


def _kind_of_binary(head: bytes, suffix: str) -> Kind:
    if suffix == ".stl":
        return Kind.STL_BINARY  # whose count and length disagree: its reader says how
    if suffix == ".obj" or _OBJ_STATEMENT.match(head.lstrip()):
        raise Reason.NUL_BYTES.refusal()
    raise Reason.UNKNOWN_FORMAT.refusal()
