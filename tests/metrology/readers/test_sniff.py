"""Files that are something else: each is named as what it is, whatever its ending says."""

from __future__ import annotations

import gzip
import io
import json
import plistlib
import struct
import tarfile
import zipfile

import pytest
from PIL import Image

from server.metrology.readers import read_scan
from server.metrology.readers.reading import FileFormat
from tests.metrology.readers.mesh_files import (
    TETRAHEDRON,
    TETRAHEDRON_FACES,
    TETRAHEDRON_POINTS,
    notes,
    obj_text,
    ply_bytes,
    refusal,
    stl,
    stl_text,
)

OID = "4d7a214614ab2935c943f9e0ff69d22eadbb8f32b1258daaa5e2ca24d17e2393"
POINTER = f"version https://store.example/spec/v1\noid sha256:{OID}\nsize 10000084\n".encode()


def _picture(format_: str) -> bytes:
    held = io.BytesIO()
    Image.new("RGB", (40, 30), (9, 9, 9)).save(held, format_)
    return held.getvalue()


def _zip(name: str) -> bytes:
    held = io.BytesIO()
    with zipfile.ZipFile(held, "w") as archive:
        archive.writestr(name, stl(TETRAHEDRON))
    return held.getvalue()


def _tar() -> bytes:
    held = io.BytesIO()
    with tarfile.open(fileobj=held, mode="w") as archive:
        archive.addfile(tarfile.TarInfo("jaw.stl"))
    return held.getvalue()


OTHERS = [
    (b"<!DOCTYPE html>\n<html><head><title>Sign in</title></head></html>", "web-page"),
    (b"\xef\xbb\xbf\r\n<HTML><BODY>404 Not Found</BODY></HTML>", "web-page"),
    (b"<?xml version='1.0'?>\n<!DOCTYPE html PUBLIC '-//W3C//DTD XHTML 1.0'><html/>", "web-page"),
    (b"<!-- cached -->\n<script>location='x'</script>", "web-page"),
    (b"<?xml version='1.0'?><Error><Code>AccessDenied</Code><Message>no</Message></Error>", "web-page"),
    (b"HTTP/1.1 200 OK\r\nContent-Type: model/stl\r\n\r\nsolid", "web-page"),
    (POINTER, "pointer-file"),
    (POINTER.replace(b"\n", b"\r\n"), "pointer-file"),
    (b"/annex/objects/SHA256E-s10000084--" + OID.encode() + b".stl\n", "pointer-file"),
    (b"../../.git/annex/objects/1f/Zq/SHA256E-s10--ab.stl/SHA256E-s10--ab.stl", "pointer-file"),
    (json.dumps({"url": "https://drive.example/open?id=1", "doc_id": "1", "email": "x@y.example"}).encode(), "cloud-placeholder"),
    (b"[InternetShortcut]\r\nURL=https://drive.example/jaw.stl\r\n", "cloud-placeholder"),
    (plistlib.dumps({"NSURLNameKey": "jaw.stl", "NSURLFileSizeKey": 10}, fmt=plistlib.FMT_BINARY), "cloud-placeholder"),
    (b"L\0\0\0\1\x14\2\0" + bytes(100), "cloud-placeholder"),
    (_zip("jaw.stl"), "archive"),
    (b"PK\5\6" + bytes(18), "archive"),
    (gzip.compress(stl(TETRAHEDRON), mtime=0), "archive"),
    (_tar(), "archive"),
    (b"7z\xbc\xaf\x27\x1c" + bytes(100), "archive"),
    (b"Rar!\x1a\x07\x01\x00" + bytes(100), "archive"),
    (_picture("PNG"), "picture"),
    (_picture("JPEG"), "picture"),
    (_picture("GIF"), "picture"),
    (_picture("BMP"), "picture"),
    (_picture("TIFF"), "picture"),
    (_picture("WEBP"), "picture"),
    (b"<svg xmlns='http://www.w3.org/2000/svg'/>", "picture"),
    (b"<?xml version='1.0'?>\n<svg width='1'/>", "picture"),
    (b"\0\0\0\x18ftypheic" + bytes(64), "picture"),
    (b"%PDF-1.7\n%\xe2\xe3\xcf\xd3\n", "document"),
    (b"\xd0\xcf\x11\xe0\xa1\xb1\x1a\xe1" + bytes(504), "document"),
    (b"{\\rtf1\\ansi jaw}", "document"),
    (bytes(128) + b"DICM" + b"\2\0\0\0UL", "other-data"),
    (b"\x7fELF\2\1\1" + bytes(57), "other-data"),
    ("solid x\nendsolid x\n".encode("utf-16"), "utf-16-text"),
    ("solid x\nendsolid x\n".encode("utf-16-be"), "utf-16-text"),
    ("v 1 2 3\n".encode("utf-32"), "utf-16-text"),
    (bytes(1), "only-nul-bytes"),
    (bytes(5_000_000), "only-nul-bytes"),
    (b"", "empty"),
    (b"glTF\2\0\0\0" + bytes(64), "unknown-format"),
    (b"OFF\n3 1 0\n0 0 0\n1 0 0\n0 1 0\n3 0 1 2\n", "unknown-format"),
    (b"dear lab, please find enclosed\n", "unknown-format"),
]  # fmt: skip


@pytest.mark.parametrize("name", ["jaw.stl", "jaw.ply", "jaw.3mf", "jaw", "jaw.zip"])
@pytest.mark.parametrize(("data", "reason"), OTHERS)
def test_what_is_no_scan_is_named(data: bytes, reason: str, name: str) -> None:
    assert refusal(data, name) == (reason, "file/unreadable")


@pytest.mark.parametrize(("data", "reason"), OTHERS)
def test_what_is_no_scan_is_named_under_obj_too(data: bytes, reason: str) -> None:
    expected = {"unknown-format": "bad-statement"} if data[:4] in (b"OFF\n", b"dear") else {}
    if data.startswith(b"glTF"):
        expected = {}
    assert refusal(data, "jaw.obj")[0] == expected.get(reason, reason)


MESHES = [
    (stl(TETRAHEDRON), FileFormat.STL_BINARY, ".stl"),
    (stl_text(TETRAHEDRON), FileFormat.STL_ASCII, ".stl"),
    (ply_bytes(TETRAHEDRON_POINTS, TETRAHEDRON_FACES.tolist()), FileFormat.PLY_BINARY_LE, ".ply"),
    (obj_text(TETRAHEDRON_POINTS, TETRAHEDRON_FACES), FileFormat.OBJ, ".obj"),
]


@pytest.mark.parametrize("suffix", [".stl", ".ply", ".obj", ".3mf", ".STL", ".png", ".scan", ""])
@pytest.mark.parametrize(("data", "format_", "own"), MESHES)
def test_a_mesh_is_read_by_its_content_whatever_its_name(
    data: bytes, format_: FileFormat, own: str, suffix: str
) -> None:
    reading = read_scan(data, "jaw" + suffix)
    assert reading.format is format_
    assert reading.scan.n_faces == 4
    assert notes(reading) == (set() if suffix.lower() in (own, "") else {"name-differs"})


def test_a_name_in_a_note_is_cleaned() -> None:
    reading = read_scan(stl(TETRAHEDRON), "x.a\r\nb\u202ec" + "d" * 300)
    assert all(
        "\n" not in note.says and "\u202e" not in note.says and len(note.says) < 120 for note in reading.notes
    )


def test_text_that_begins_with_solid_but_is_a_binary_of_wrong_length_is_judged_as_binary() -> None:
    data = stl([TETRAHEDRON[0]] * 100, header=b"solid jaw")
    assert refusal(data[:-1], "jaw.stl") == ("cut-short", "file/truncated")
    assert refusal(struct.pack("<I", 7) + data[:100], "jaw.ply") == ("unknown-format", "file/unreadable")
