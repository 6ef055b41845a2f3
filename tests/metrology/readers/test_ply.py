"""PLY in its three encodings: what its header may say, and every way in which its rows can break the promise.

Format: the public description at paulbourke.net/dataformats/ply.
"""

from __future__ import annotations

import struct

import numpy as np
import pytest

from server.metrology.readers import read_scan
from server.metrology.readers.reading import FileFormat, Unreadable
from tests.metrology.readers.mesh_files import (
    BOX_POINTS,
    BOX_QUADS,
    TETRAHEDRON,
    TETRAHEDRON_FACES,
    TETRAHEDRON_POINTS,
    notes,
    ply_bytes,
    ply_header,
    ply_text,
    refusal,
    texts,
    volume,
)

UNREADABLE, TRUNCATED, NO_TRIANGLES = "file/unreadable", "file/truncated", "file/no-triangles"
FACES = TETRAHEDRON_FACES.tolist()
TEXT = ply_text(TETRAHEDRON_POINTS, FACES)
LITTLE = ply_bytes(TETRAHEDRON_POINTS, FACES)
BIG = ply_bytes(TETRAHEDRON_POINTS, FACES, big=True)
XYZ = "float x|float y|float z"
POINT_ROWS = TETRAHEDRON_POINTS.astype("<f4").tobytes()
FACE_ROWS = b"".join(struct.pack("<B3i", 3, *f) for f in FACES)


@pytest.mark.parametrize(
    ("data", "encoding"),
    [(TEXT, FileFormat.PLY_ASCII), (LITTLE, FileFormat.PLY_BINARY_LE), (BIG, FileFormat.PLY_BINARY_BE)],
)
def test_a_tetrahedron_is_read(data: bytes, encoding: FileFormat) -> None:
    reading = read_scan(data, "jaw.ply")
    assert reading.format is encoding
    assert (reading.n_facets_stored, reading.n_collapsed_facets) == (4, 0)
    assert np.array_equal(reading.scan.vertices[reading.scan.faces], TETRAHEDRON)
    assert reading.scan.vertex_rgb is None
    assert volume(reading) == pytest.approx(1 / 6, abs=1e-15)
    assert reading.single_precision
    assert (reading.notes, reading.texts) == ((), ())


@pytest.mark.parametrize("end", ["\r\n", "\r"])
def test_line_ends_of_other_systems(end: str) -> None:
    rows = TEXT[len(ply_header("ascii", 4, 4)) :].replace(b"\n", end.encode())
    assert read_scan(ply_header("ascii", 4, 4, end=end) + rows, "jaw.ply").scan.n_faces == 4
    binary = ply_header("binary_little_endian", 4, 4, end=end) + POINT_ROWS + FACE_ROWS
    assert np.array_equal(
        read_scan(binary, "jaw.ply").scan.vertices[read_scan(binary, "jaw.ply").scan.faces], TETRAHEDRON
    )


def test_a_first_byte_of_binary_data_that_looks_like_a_line_end_is_data() -> None:
    points = TETRAHEDRON_POINTS.copy()
    points[0, 0] = np.frombuffer(b"\n\r\n\x42", "<f4")[0]
    for end in ("\n", "\r\n", "\r"):
        data = ply_bytes(points, FACES, end=end)
        assert read_scan(data, "jaw.ply").scan.vertices[0, 0] == points[0, 0]


def test_a_byte_order_mark_is_ignored_with_a_note() -> None:
    for data in (TEXT, LITTLE):
        assert notes(read_scan(b"\xef\xbb\xbf" + data, "jaw.ply")) == {"byte-order-mark"}


@pytest.mark.parametrize("name", ["vertex_index", "vertex_indices"])
@pytest.mark.parametrize("count", ["uchar", "char", "ushort", "short", "uint", "int", "uint8", "int32"])
@pytest.mark.parametrize("index", ["uchar", "ushort", "int", "uint", "int16", "uint32"])
@pytest.mark.parametrize("big", [False, True])
def test_every_type_of_list(name: str, count: str, index: str, big: bool) -> None:
    sizes = {"char": "b", "uchar": "B", "uint8": "B", "short": "h", "int16": "h", "ushort": "H", "int": "i", "int32": "i",
             "uint": "I", "uint32": "I"}  # fmt: skip
    order = ">" if big else "<"
    header = ply_header(
        "binary_big_endian" if big else "binary_little_endian", 4, 4, face=f"list {count} {index} {name}"
    )
    rows = b"".join(struct.pack(f"{order}{sizes[count]}3{sizes[index]}", 3, *f) for f in FACES)
    data = header + TETRAHEDRON_POINTS.astype(order + "f4").tobytes() + rows
    reading = read_scan(data, "jaw.ply")
    assert np.array_equal(reading.scan.vertices[reading.scan.faces], TETRAHEDRON)


def test_other_properties_and_elements_are_stepped_over() -> None:
    header = ply_header(
        "binary_little_endian",
        4,
        4,
        vertex="double t|float z|float y|list uchar short marks|float x|uchar red",
        face="short flags|list uchar int vertex_index|list int float texcoord|double area",
    ).replace(
        b"element vertex",
        b"element camera 2\nproperty float f\nproperty list ushort double k\nelement vertex",
    )
    cameras = b"".join(struct.pack(f"<fH{n}d", 1.0, n, *range(n)) for n in (3, 0))
    points = b"".join(
        struct.pack(f"<dffB{i}hfB", 7.0, z, y, i, *[9] * i, x, 1)
        for i, (x, y, z) in enumerate(TETRAHEDRON_POINTS)
    )
    faces = b"".join(struct.pack("<hB3iI2fd", -1, 3, *f, 2, 0.5, np.nan, 1.5) for f in FACES)
    reading = read_scan(header + cameras + points + faces, "jaw.ply")
    assert np.array_equal(reading.scan.vertices[reading.scan.faces], TETRAHEDRON)


def test_other_properties_and_elements_in_text() -> None:
    header = ply_header(
        "ascii",
        4,
        4,
        vertex="float q|float x|list uchar int m|float y|float z",
        face="int f|list uchar int vertex_index",
    ).replace(b"element vertex", b"element camera 1\nproperty list uchar float k\nelement vertex")
    rows = ["3 1 nan what"] + [f"nan {x} 2 7 8 {y} {z}" for x, y, z in TETRAHEDRON_POINTS]
    rows += [f"-1 3 {a} {b} {c}" for a, b, c in FACES]
    reading = read_scan(header + "\n\n".join(rows).encode(), "jaw.ply")
    assert np.array_equal(reading.scan.vertices[reading.scan.faces], TETRAHEDRON)


def test_faces_may_come_before_points() -> None:
    for header, rows in (
        (ply_header("binary_little_endian", 4, 4), FACE_ROWS + POINT_ROWS),
        (
            ply_header("ascii", 4, 4),
            b"\n".join(b"3 %d %d %d" % tuple(f) for f in FACES) + b"\n0 0 0\n1 0 0\n0 1 0\n0 0 1",
        ),
    ):
        lines = header.split(b"\n")
        swapped = b"\n".join([*lines[:2], *lines[6:8], *lines[2:6], *lines[8:]])
        reading = read_scan(swapped + rows, "jaw.ply")
        assert np.array_equal(reading.scan.vertices[reading.scan.faces], TETRAHEDRON)


@pytest.mark.parametrize("make", [ply_text, ply_bytes])
def test_polygons_are_split_and_counted(make) -> None:  # type: ignore[no-untyped-def]
    reading = read_scan(make(BOX_POINTS, BOX_QUADS), "box.ply")
    assert (reading.n_facets_stored, reading.scan.n_faces, volume(reading)) == (12, 12, 30.0)
    assert notes(reading) == {"polygons"}


@pytest.mark.parametrize("make", [ply_text, ply_bytes])
def test_mixed_polygons_to_255_corners(make) -> None:  # type: ignore[no-untyped-def]
    """Area of a regular polygon of n corners: n/2 sin(2π/n)."""
    turn = 2 * np.pi * np.arange(255) / 255
    rim = np.column_stack([np.cos(turn), np.sin(turn), np.zeros(255)]).astype(np.float32)
    points = np.concatenate([rim, [[0, 0, 5], [1, 0, 5], [0, 1, 5], [1, 1, 5]]])
    reading = read_scan(make(points, [list(range(255)), [255, 256, 257], [255, 256, 258, 257]]), "disc.ply")
    assert reading.n_facets_stored == 253 + 1 + 2
    a, b, c = np.moveaxis(reading.scan.vertices[reading.scan.faces[:253]], 1, 0)
    area = np.cross(b - a, c - a)[:, 2].sum() / 2
    assert area == pytest.approx(255 / 2 * np.sin(2 * np.pi / 255), rel=1e-6)


def test_colours_are_kept() -> None:
    colours = np.array([[0, 1, 2], [255, 254, 253], [10, 20, 30], [7, 8, 9]], np.uint8)
    as_bytes = np.zeros(4, [("p", "<f4", 3), ("c", "u1", 4)])
    as_bytes["p"], as_bytes["c"][:, :3] = TETRAHEDRON_POINTS, colours
    header = ply_header(
        "binary_little_endian", 4, 4, vertex=f"{XYZ}|uchar red|uchar green|uchar blue|uchar alpha"
    )
    reading = read_scan(header + as_bytes.tobytes() + FACE_ROWS, "jaw.ply")
    order = [TETRAHEDRON_POINTS.tolist().index(p) for p in reading.scan.vertices.tolist()]
    assert reading.scan.vertex_rgb is not None
    assert reading.scan.vertex_rgb.dtype == np.uint8
    assert np.array_equal(reading.scan.vertex_rgb, colours[order])


@pytest.mark.parametrize(
    ("kind", "stored", "seen"),
    [
        ("uchar", ["255 128 0"] * 4, [255, 128, 0]),
        ("ushort", ["65535 32768 0"] * 4, [255, 128, 0]),
        ("float", ["1.0 0.5 0.0"] * 4, [255, 128, 0]),
        ("float", ["255.0 128.0 nan"] * 4, [255, 128, 0]),
        ("int", ["300 128 -5"] * 4, [255, 128, 0]),
    ],
)
def test_colours_of_every_type(kind: str, stored: list[str], seen: list[int]) -> None:
    header = ply_header("ascii", 4, 4, vertex=f"{XYZ}|{kind} red|{kind} green|{kind} blue")
    rows = [f"{x} {y} {z} {c}" for (x, y, z), c in zip(TETRAHEDRON_POINTS, stored, strict=True)]
    rows += [f"3 {a} {b} {c}" for a, b, c in FACES]
    reading = read_scan(header + "\n".join(rows).encode(), "jaw.ply")
    assert reading.scan.vertex_rgb is not None
    assert reading.scan.vertex_rgb.tolist() == [seen] * 4


def test_points_that_are_equal_are_joined_with_the_first_colour() -> None:
    points = TETRAHEDRON.reshape(-1, 3)
    header = ply_header("ascii", 12, 4, vertex=f"{XYZ}|uchar red|uchar green|uchar blue")
    rows = [f"{x} {y} {z} {i} 0 0" for i, (x, y, z) in enumerate(points)] + [
        f"3 {i} {i + 1} {i + 2}" for i in (0, 3, 6, 9)
    ]
    reading = read_scan(header + "\n".join(rows).encode(), "jaw.ply")
    assert reading.scan.n_vertices == 4
    assert reading.scan.vertex_rgb is not None
    assert reading.scan.vertex_rgb[:, 0].tolist() == [0, 1, 2, 5]


def test_colours_of_facets_are_not_kept_but_noted() -> None:
    header = ply_header("ascii", 4, 4, face="list uchar int vertex_index|uchar red|uchar green|uchar blue")
    rows = [f"{x} {y} {z}" for x, y, z in TETRAHEDRON_POINTS] + [f"3 {a} {b} {c} 1 2 3" for a, b, c in FACES]
    assert notes(read_scan(header + "\n".join(rows).encode(), "jaw.ply")) == {"facet-colours"}


def test_a_texture_named_in_a_comment_is_a_text_and_not_followed() -> None:
    data = ply_text(TETRAHEDRON_POINTS, FACES, extra="comment TextureFile /etc/passwd|obj_info num_cols 512")
    reading = read_scan(data, "jaw.ply")
    assert texts(reading) == [("comment", "TextureFile /etc/passwd"), ("comment", "num_cols 512")]


def test_doubles_are_kept_as_doubles() -> None:
    header = ply_header("binary_little_endian", 4, 4, vertex="double x|double y|double z")
    exact = header + TETRAHEDRON_POINTS.tobytes() + FACE_ROWS
    assert read_scan(exact, "jaw.ply").single_precision, "every one is a 32-bit float"
    finer = header + (TETRAHEDRON_POINTS / 3).tobytes() + FACE_ROWS
    reading = read_scan(finer, "jaw.ply")
    assert not reading.single_precision
    assert reading.scan.vertices.max() == 1 / 3


def test_points_that_no_facet_uses_are_left_out_with_a_note() -> None:
    reading = read_scan(ply_text([*TETRAHEDRON_POINTS, [99, 99, 99]], FACES), "jaw.ply")
    assert (reading.scan.n_vertices, reading.scan.vertices.max()) == (4, 1.0)
    assert notes(reading) == {"unused-points"}


@pytest.mark.parametrize("tail", [b"\n", b"\0", bytes(999), b"\1\2\3"])
def test_a_little_after_the_last_row_is_ignored_with_a_note(tail: bytes) -> None:
    assert notes(read_scan(LITTLE + tail, "jaw.ply")) == {"trailing-bytes"}


def _with(old: bytes, new: bytes, data: bytes = TEXT) -> bytes:
    assert old in data
    return data.replace(old, new, 1)


@pytest.mark.parametrize(
    ("data", "reason", "rule"),
    [
        (_with(b"vertex 4", b"vertex 4000000000"), "count-impossible", UNREADABLE),
        (_with(b"vertex 4", b"vertex 4000000000", LITTLE), "count-impossible", UNREADABLE),
        (_with(b"face 4", b"face 4000000000", LITTLE), "count-impossible", UNREADABLE),
        (_with(b"face 4", b"face 999999999999999999", LITTLE), "count-impossible", UNREADABLE),
        (_with(b"face 4", b"face 9999999999999999999999", LITTLE), "bad-header", UNREADABLE),
        (_with(b"vertex 4", b"vertex -4"), "negative-count", UNREADABLE),
        (_with(b"face 4", b"face -1", LITTLE), "negative-count", UNREADABLE),
        (_with(b"face 4", b"face 4.5"), "bad-header", UNREADABLE),
        (_with(b"face 4", b"face"), "bad-header", UNREADABLE),
        (_with(b"3 0 2 1", b"3 0 2 2000000000"), "index-out-of-range", UNREADABLE),
        (_with(b"3 0 2 1", b"3 0 2 4"), "index-out-of-range", UNREADABLE),
        (_with(b"3 0 2 1", b"3 0 2 -1"), "index-out-of-range", UNREADABLE),
        (_with(struct.pack("<i", 2), struct.pack("<i", 2_000_000_000), LITTLE), "index-out-of-range", UNREADABLE),
        (_with(struct.pack("<B3i", 3, 0, 2, 1), struct.pack("<B3i", 3, 0, -1, 1), LITTLE), "index-out-of-range", UNREADABLE),
        (_with(b"end_header\n", b""), "no-end-header", UNREADABLE),
        (ply_header("ascii", 4, 4)[:-15], "no-end-header", UNREADABLE),
        (b"ply\n" + b"comment " + b"x" * 5_000_000, "no-end-header", UNREADABLE),
        (ply_header("ascii", 4, 4, vertex="|".join(f"float p{i}" for i in range(50_000))), "too-many-properties", UNREADABLE),
        (_with(b"float x", b"quad x"), "unknown-type", UNREADABLE),
        (_with(b"uchar int", b"uchar varint"), "unknown-type", UNREADABLE),
        (_with(b"uchar int", b"float int"), "bad-header", UNREADABLE),
        (_with(b"uchar int", b"uchar float"), "bad-header", UNREADABLE),
        (_with(b"element face", b"element vertex"), "element-twice", UNREADABLE),
        (_with(b"property float y", b"property float x"), "bad-header", UNREADABLE),
        (_with(b"float z", b"float w"), "no-coordinates", UNREADABLE),
        (_with(b"property float z", b"property list uchar float z"), "no-coordinates", UNREADABLE),
        (_with(b"ascii 1.0", b"ascii 2.0"), "bad-header", UNREADABLE),
        (_with(b"ascii 1.0", b"binary 1.0"), "bad-header", UNREADABLE),
        (_with(b"format ascii 1.0\n", b""), "bad-header", UNREADABLE),
        (_with(b"element face", b"elements face"), "bad-header", UNREADABLE),
        (_with(b"vertex_indices", b"corners"), "bad-header", UNREADABLE),
        (_with(b"list uchar int vertex_indices", b"int vertex_indices"), "bad-header", UNREADABLE),
        (b"ply\nformat ascii 1.0\nproperty float x\nend_header\n", "bad-header", UNREADABLE),
        (ply_text(TETRAHEDRON_POINTS, []), "point-cloud", NO_TRIANGLES),
        (ply_bytes(TETRAHEDRON_POINTS, []), "point-cloud", NO_TRIANGLES),
        (b"ply\nformat ascii 1.0\nelement vertex 1\nproperty float x\nproperty float y\nproperty float z\nend_header\n1 2 3\n",
         "point-cloud", NO_TRIANGLES),
        (ply_header("ascii", 0, 0), "no-facets", NO_TRIANGLES),
        (b"ply\nformat ascii 1.0\nend_header\n", "no-facets", NO_TRIANGLES),
        (TEXT[: TEXT.rindex(b"3 0 3 2")], "cut-short", TRUNCATED),
        (TEXT[: TEXT.rindex(b" 2\n")], "cut-short", TRUNCATED),
        (LITTLE[:-1], "cut-short", TRUNCATED),
        (LITTLE[:-13], "cut-short", TRUNCATED),
        (LITTLE[:-60], "cut-short", TRUNCATED),
        (BIG[:-1], "cut-short", TRUNCATED),
        (LITTLE + FACE_ROWS, "data-beyond-count", UNREADABLE),
        (TEXT + b"3 0 1 2\n", "data-beyond-count", UNREADABLE),
        (_with(b"3 0 2 1", b"3 0 2 1 0"), "bad-statement", UNREADABLE),
        (_with(b"3 0 2 1", b"4 0 2 1"), "bad-statement", UNREADABLE),
        (_with(b"0.0 1.0 0.0\n", b"0.0 1.0\n"), "bad-statement", UNREADABLE),
        (_with(b"0.0 1.0 0.0\n", b"0.0 1.0 0.0 7\n"), "bad-statement", UNREADABLE),
        (_with(b"0.0 1.0 0.0\n", b"0.0 l.0 0.0\n"), "bad-number", UNREADABLE),
        (_with(b"3 0 2 1", b"3 0 2 1.0"), "bad-number", UNREADABLE),
        (_with(b"0.0 1.0 0.0\n", b"0,0 1,0 0,0\n"), "decimal-commas", UNREADABLE),
        (_with(b"3 0 2 1", b"2 0 2"), "too-few-corners", UNREADABLE),
        (_with(b"3 0 2 1", b"-3 0 2 1"), "list-length", UNREADABLE),
        (_with(b"3 0 2 1", b"4294967295 0 2 1"), "list-length", UNREADABLE),
        (_with(b"0.0 1.0 0.0\n", b"0.0 nan 0.0\n"), "not-finite", "file/non-finite"),
        (ply_bytes([[np.nan, 0, 0], [0, 1, 0], [1, 0, 0]], [[0, 1, 2]]), "not-finite", "file/non-finite"),
        (ply_bytes([[np.inf, 0, 0], [0, 1, 0], [1, 0, 0]], [[0, 1, 2]], big=True), "not-finite", "file/non-finite"),
        (ply_bytes([[1e31, 0, 0], [0, 1, 0], [1, 0, 0]], [[0, 1, 2]]), "beyond-range", "file/non-finite"),
        (ply_bytes(TETRAHEDRON_POINTS, [[1, 1, 2], [0, 3, 0]]), "all-collapsed", NO_TRIANGLES),
        (TEXT.replace(b"0.0 1.0 0.0\n", b"0.0 1.0" + b" " * 20_000_000 + b"0.0\n"), "line-too-long", UNREADABLE),
    ],
)  # fmt: skip
def test_what_is_refused(data: bytes, reason: str, rule: str) -> None:
    assert refusal(data, "jaw.ply") == (reason, rule)


@pytest.mark.parametrize(
    ("count", "size", "reason"),
    [("uint", struct.pack("<I", 2**32 - 1), "list-length"), ("int", struct.pack("<i", -1), "list-length"),
     ("uchar", b"\xff", "cut-short"), ("char", b"\xff", "list-length"), ("uchar", b"\2", "too-few-corners"),
     ("uchar", b"\0", "too-few-corners")],
)  # fmt: skip
def test_lengths_of_lists_in_binary(count: str, size: bytes, reason: str) -> None:
    header = ply_header("binary_little_endian", 4, 1, face=f"list {count} int vertex_index")
    data = header + POINT_ROWS + size + struct.pack("<3i", 0, 1, 2)
    assert refusal(data, "jaw.ply")[0] == reason


def test_the_refusal_names_the_line() -> None:
    with pytest.raises(Unreadable, match=r"\(line 12\)"):
        read_scan(_with(b"0.0 1.0 0.0\n", b"0.0 1.0\n"), "jaw.ply")
