"""Archives, honest and hostile: every refusal with its exact code."""

from __future__ import annotations

import io
import struct
import zipfile
import zlib
from collections.abc import Callable

import pytest

from server.metrology.readers.bundle import open_bundle
from server.metrology.readers.reading import Unreadable

PLAIN = b"solid a\nendsolid a\n" * 20


def _zip(*members: tuple[str, bytes], method: int = zipfile.ZIP_DEFLATED, **attributes: int) -> bytes:
    out = io.BytesIO()
    with zipfile.ZipFile(out, "w", method) as archive:
        for name, data in members:
            info = zipfile.ZipInfo(name)
            info.compress_type = method
            info.external_attr = attributes.get("mode", 0o100644) << 16
            archive.writestr(info, data)
    return out.getvalue()


def _refusal(data: bytes) -> str:
    with pytest.raises(Unreadable) as caught:
        list(open_bundle(data))
    return caught.value.reason


@pytest.mark.parametrize("method", [zipfile.ZIP_STORED, zipfile.ZIP_DEFLATED])
def test_an_ordinary_archive_gives_its_files(method: int) -> None:
    data = _zip(("case/jaw.stl", PLAIN), ("case/", b""), ("bite.ply", b"ply"), method=method)
    assert list(open_bundle(data)) == [("case/jaw.stl", PLAIN), ("bite.ply", b"ply")]


def test_what_systems_add_by_themselves_is_left_out() -> None:
    data = _zip(("jaw.stl", PLAIN), ("__MACOSX/._jaw.stl", b"x"), ("case/.DS_Store", b"x"))
    assert [name for name, _ in open_bundle(data)] == ["jaw.stl"]


def test_a_streamed_archive_is_read() -> None:
    class OneWay(io.RawIOBase):
        def __init__(self) -> None:
            self.got = bytearray()

        def writable(self) -> bool:
            return True

        def write(self, data: object) -> int:
            self.got += bytes(data)  # type: ignore[call-overload]
            return len(bytes(data))  # type: ignore[call-overload]

    out = OneWay()
    with zipfile.ZipFile(out, "w", zipfile.ZIP_DEFLATED) as archive:
        archive.writestr("jaw.stl", PLAIN)
    assert list(open_bundle(bytes(out.got))) == [("jaw.stl", PLAIN)]


def _patched(data: bytes, signature: bytes, at: int, new: bytes) -> bytes:
    begin = data.index(signature) + at
    return data[:begin] + new + data[begin + len(new) :]


def _size_lie(data: bytes) -> bytes:
    lied = struct.pack("<L", 7)
    return _patched(_patched(data, b"PK\1\2", 24, lied), b"PK\3\4", 22, lied)


ATTACKS: dict[str, tuple[Callable[[], bytes], str]] = {
    "flat bomb": (lambda: _zip(("jaw.stl", b"\0" * 30_000_000)), "archive-too-large"),
    "nested": (lambda: _zip(("inner.zip", _zip(("a.stl", PLAIN)))), "archive-nested"),
    "nested under another name": (
        lambda: _zip(("jaw.stl", _zip(("a.stl", PLAIN), method=0)), method=0),
        "archive-nested",
    ),
    "traversal": (lambda: _zip(("../jaw.stl", PLAIN)), "archive-names"),
    "traversal by backslash": (lambda: _zip(("..\\jaw.stl", PLAIN)), "archive-names"),
    "absolute": (lambda: _zip(("/etc/jaw.stl", PLAIN)), "archive-names"),
    "drive": (lambda: _zip(("C:/jaw.stl", PLAIN)), "archive-names"),
    "link": (lambda: _zip(("jaw.stl", b"/etc/passwd"), mode=0o120777), "archive-names"),
    "case-equal names": (lambda: _zip(("jaw.stl", PLAIN), ("JAW.STL", PLAIN)), "archive-names"),
    "reserved name": (lambda: _zip(("con.stl", PLAIN)), "archive-names"),
    "control characters": (lambda: _zip(("jaw\r\n.stl", PLAIN)), "archive-names"),
    "100 000 entries": (
        lambda: _zip(*((f"{i}.stl", b"") for i in range(20_000)), method=0),
        "archive-too-large",
    ),
    "size lie": (lambda: _size_lie(_zip(("jaw.stl", PLAIN))), "archive-damaged"),
    "bad checksum": (
        lambda: _zip(("jaw.stl", PLAIN), method=0).replace(b"solid a", b"solid b", 1),
        "archive-damaged",
    ),
    "local header differs": (
        lambda: _patched(_zip(("jaw.stl", PLAIN)), b"PK\3\4", 30, b"JAW"),
        "archive-odd",
    ),
    "prefix": (lambda: b"#!/bin/sh\n" + _zip(("jaw.stl", PLAIN)), "archive-odd"),
    "appended archive": (lambda: _zip(("a.stl", PLAIN)) + _zip(("b.stl", PLAIN)), "archive-odd"),
    "trailing data": (lambda: _zip(("a.stl", PLAIN)) + b"more", "archive-odd"),
    "encrypted": (lambda: _patched(_zip(("jaw.stl", PLAIN)), b"PK\1\2", 8, b"\1\0"), "archive-encrypted"),
    "odd method": (lambda: _zip(("jaw.stl", PLAIN), method=zipfile.ZIP_LZMA), "archive-odd"),
    "cut short": (lambda: _zip(("jaw.stl", PLAIN))[:-30], "archive-damaged"),
    "no file": (lambda: _zip(("folder/", b"")), "archive-empty"),
}


@pytest.mark.parametrize("attack", ATTACKS)
def test_attacks_are_refused_with_their_reason(attack: str) -> None:
    make, reason = ATTACKS[attack]
    assert _refusal(make()) == reason


def test_overlapping_files_are_refused() -> None:
    """Two directory entries that share the same bytes under two names, as quine-like bombs do."""
    body = zlib.compress(PLAIN, 9)[2:-4]
    crc, size = zlib.crc32(PLAIN), len(PLAIN)
    local = struct.pack("<4s5H3L2H", b"PK\3\4", 20, 0, 8, 0, 0, crc, len(body), size, 5, 0) + b"a.stl"
    entry = struct.pack(
        "<4s6H3L5H2L", b"PK\1\2", 20, 20, 0, 8, 0, 0, crc, len(body), size, 5, 0, 0, 0, 0, 0, 0
    )
    directory = (entry + b"a.stl") * 2
    at = len(local) + len(body)
    end = struct.pack("<4s4H2LH", b"PK\5\6", 0, 0, 2, 2, len(directory), at, 0)
    assert _refusal(local + body + directory + end) == "archive-odd"
