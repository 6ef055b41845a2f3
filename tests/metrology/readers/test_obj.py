"""OBJ: statements of every kind, and what must never be believed or followed."""

from __future__ import annotations

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
    obj_text,
    refusal,
    texts,
    volume,
)

UNREADABLE, NO_TRIANGLES = "file/unreadable", "file/no-triangles"
PLAIN = obj_text(TETRAHEDRON_POINTS, TETRAHEDRON_FACES)
POINTS = PLAIN[: PLAIN.index(b"f ")]


def _corners(data: bytes) -> np.ndarray:  # type: ignore[type-arg]
    scan = read_scan(data, "jaw.obj").scan
    return scan.vertices[scan.faces]


def test_a_tetrahedron_is_read() -> None:
    reading = read_scan(PLAIN, "jaw.obj")
    assert reading.format is FileFormat.OBJ
    assert (reading.n_facets_stored, reading.n_collapsed_facets, reading.unit_mm) == (4, 0, None)
    assert np.array_equal(reading.scan.vertices[reading.scan.faces], TETRAHEDRON)
    assert volume(reading) == pytest.approx(1 / 6, abs=1e-15)
    assert reading.scan.vertex_rgb is None
    assert reading.single_precision
    assert (reading.notes, reading.texts) == ((), ())


@pytest.mark.parametrize(
    "faces",
    [
        b"f 1 3 2\nf 1 2 4\nf 2 3 4\nf 1 4 3",
        b"f 1/1 3/1 2/1\nf 1/9 2/9 4/9\nf 2/1 3/1 4/1\nf 1/1 4/1 3/1",
        b"f 1//1 3//1 2//1\nf 1//9 2//9 4//9\nf 2//1 3//1 4//1\nf 1//1 4//1 3//1",
        b"f 1/1/1 3/-1/-1 2/1/1\nf 1/9/9 2/9/9 4/9/9\nf 2/1/1 3/1/1 4/1/1\nf 1/1/1 4/1/1 3/1/1",
        b"f -4 -2 -3\nf -4 -3 -1\nf -3 -2 -1\nf -4 -1 -2",
        b"f\t1\t3\t2\r\nf 1  2\t 4 \r\n\r\nf 2 3 4 \t\r\nf 1 4 3",
        b"f 1 3 \\\n2\nf 1 \\\r\n 2 4\nf 2 3 4\nf \\\n\\\n1 4 3",
        b"s 1\nf 1 3 2\ns off\nf 1 2 4\nf 2 3 4\nf 1 4 3\n# end \\",
    ],
)
def test_forms_of_faces(faces: bytes) -> None:
    assert np.array_equal(_corners(POINTS + faces), TETRAHEDRON)


def test_a_comment_that_ends_in_a_backslash_ends_with_its_line() -> None:
    assert np.array_equal(_corners(b"# C:\\scans\\\n" + PLAIN), TETRAHEDRON)
    assert np.array_equal(_corners(b"mtllib C:\\scans\\\n" + PLAIN), TETRAHEDRON)


def test_tabs_after_v_are_blanks() -> None:
    assert np.array_equal(_corners(PLAIN.replace(b" ", b"\t")), TETRAHEDRON)


def test_a_byte_order_mark_is_ignored_with_a_note() -> None:
    assert notes(read_scan(b"\xef\xbb\xbf" + PLAIN, "jaw.obj")) == {"byte-order-mark"}


def test_points_may_follow_the_faces_that_use_them() -> None:
    assert np.array_equal(_corners(PLAIN[len(POINTS) :] + POINTS), TETRAHEDRON)


def test_negative_numbers_count_from_where_they_stand() -> None:
    data = b"v 0 0 0\nv 1 0 0\nv 0 1 0\nf -3 -2 -1\nv 5 0 0\nv 6 0 0\nv 5 1 0\nf -3 -2 -1\n"
    assert _corners(data)[1].tolist() == [[5, 0, 0], [6, 0, 0], [5, 1, 0]]


def test_polygons_are_split_and_counted() -> None:
    reading = read_scan(obj_text(BOX_POINTS, BOX_QUADS), "box.obj")
    assert (reading.n_facets_stored, volume(reading)) == (12, 30.0)
    assert notes(reading) == {"polygons"}


def test_a_polygon_of_100_000_corners() -> None:
    """Area of a regular polygon of n corners: n/2 sin(2π/n)."""
    n = 100_000
    turn = 2 * np.pi * np.arange(n) / n
    reading = read_scan(
        obj_text(np.column_stack([np.cos(turn), np.sin(turn), 0 * turn]), [range(n)]), "disc.obj"
    )
    assert reading.n_facets_stored == n - 2
    a, b, c = np.moveaxis(reading.scan.vertices[reading.scan.faces], 1, 0)
    assert np.cross(b - a, c - a)[:, 2].sum() / 2 == pytest.approx(n / 2 * np.sin(2 * np.pi / n), rel=1e-9)


@pytest.mark.parametrize(
    ("colours", "seen"),
    [
        (["1.0 0.5 0"] * 4, [255, 128, 0]),
        (["255 128 0"] * 4, [255, 128, 0]),
        (["0.2 0 1 0.5"] * 4, [51, 0, 255]),
    ],
)
def test_colours_are_kept(colours: list[str], seen: list[int]) -> None:
    lines = [f"v {x} {y} {z} {c}" for (x, y, z), c in zip(TETRAHEDRON_POINTS, colours, strict=True)]
    reading = read_scan("\n".join(lines).encode() + b"\n" + PLAIN[len(POINTS) :], "jaw.obj")
    assert reading.scan.vertex_rgb is not None
    assert reading.scan.vertex_rgb.tolist() == [seen] * 4


def test_colours_of_some_points_only_are_not_kept_but_noted() -> None:
    reading = read_scan(PLAIN.replace(b"v 1.0 0.0 0.0", b"v 1.0 0.0 0.0 1 0 0"), "jaw.obj")
    assert reading.scan.vertex_rgb is None
    assert notes(reading) == {"colours-incomplete"}


def test_a_weight_is_no_colour() -> None:
    reading = read_scan(PLAIN.replace(b"v 1.0 0.0 0.0", b"v 1.0 0.0 0.0 1.0"), "jaw.obj")
    assert (reading.scan.vertex_rgb, reading.notes) == (None, ())


@pytest.mark.parametrize(
    "library", ["/etc/passwd", "..\\..\\secret.mtl", "http://example.org/x.mtl", "\\\\host\\share"]
)
def test_libraries_are_texts_and_not_followed(library: str) -> None:
    reading = read_scan(f"mtllib {library}\n".encode() + PLAIN, "jaw.obj")
    assert texts(reading) == [("material", library)]
    assert notes(reading) == {"library-not-followed"}


def test_names_and_comments_are_texts() -> None:
    head = b"# scanned by Anne Muster\no jaw of R-1042\ng left side\nusemtl gum pink\n"
    assert texts(read_scan(head + PLAIN, "jaw.obj")) == [
        ("comment", "scanned by Anne Muster"),
        ("object", "jaw of R-1042"),
        ("object", "left side"),
        ("material", "gum pink"),
    ]


def test_100_000_materials() -> None:
    lines = [f"usemtl m{i}\nf {i % 4 + 1} {(i + 1) % 4 + 1} {(i + 2) % 4 + 1}" for i in range(100_000)]
    reading = read_scan(POINTS + "\n".join(lines).encode(), "jaw.obj")
    assert (reading.scan.n_faces, len(reading.texts)) == (100_000, 64)
    assert notes(reading) == {"more-texts"}


def test_other_statements_are_stepped_over() -> None:
    head = b"vt 0 0\nvn 0 0 1\nvp 0.1\nlod 1\nbevel on\nc_interp off\nshadow_obj x.obj\n"
    reading = read_scan(head + PLAIN + b"l 1 2\np 1\ncurv 0 1 1 2\nend\n", "jaw.obj")
    assert reading.scan.n_faces == 4
    assert notes(reading) == {"library-not-followed", "other-elements"}


def test_facets_with_equal_corners_are_left_out_and_counted() -> None:
    reading = read_scan(PLAIN + b"f 1 1 2\nf 1 2 3 3\n", "jaw.obj")
    assert (reading.n_facets_stored, reading.n_collapsed_facets, reading.scan.n_faces) == (7, 2, 5)


def _with(old: bytes, new: bytes) -> bytes:
    assert old in PLAIN
    return PLAIN.replace(old, new, 1)


@pytest.mark.parametrize(
    ("data", "reason", "rule"),
    [
        (_with(b"f 1 3 2", b"f 0 3 2"), "index-out-of-range", UNREADABLE),
        (_with(b"f 1 3 2", b"f 1 3 5"), "index-out-of-range", UNREADABLE),
        (_with(b"f 1 3 2", b"f 1 3 1000000000"), "index-out-of-range", UNREADABLE),
        (_with(b"f 1 3 2", b"f 1 3 99999999999999999999999"), "index-out-of-range", UNREADABLE),
        (_with(b"f 1 3 2", b"f 1 3 -9"), "index-out-of-range", UNREADABLE),
        (_with(b"f 1 3 2", b"f 1 3 -5"), "index-out-of-range", UNREADABLE),
        (_with(b"f 1 3 2", b"f 1 3"), "too-few-corners", UNREADABLE),
        (_with(b"f 1 3 2", b"f 1.5 3 2"), "bad-number", UNREADABLE),
        (_with(b"f 1 3 2", b"f 1/ 3 2"), "bad-number", UNREADABLE),
        (_with(b"f 1 3 2", b"f 1// 3 2"), "bad-number", UNREADABLE),
        (_with(b"f 1 3 2", b"f 1/1/1/1 3 2"), "bad-number", UNREADABLE),
        (_with(b"f 1 3 2", b"f a b c"), "bad-number", UNREADABLE),
        (_with(b"f 1 3 2", b"f 1, 3, 2"), "decimal-commas", UNREADABLE),
        (_with(b"v 1.0 0.0 0.0", b"v 1,0 0,0 0,0"), "decimal-commas", UNREADABLE),
        (_with(b"v 1.0 0.0 0.0", b"v 1.0 0.0"), "bad-statement", UNREADABLE),
        (_with(b"v 1.0 0.0 0.0", b"v"), "bad-statement", UNREADABLE),
        (_with(b"v 1.0 0.0 0.0", b"v 1 2 3 4 5"), "bad-statement", UNREADABLE),
        (_with(b"v 1.0 0.0 0.0", b"v 1 2 3 4 5 6 7 8"), "bad-statement", UNREADABLE),
        (_with(b"v 1.0 0.0 0.0", b"v 1.0 o.0 0.0"), "bad-number", UNREADABLE),
        (_with(b"v 1.0 0.0 0.0", b"v nan 0.0 0.0"), "not-finite", "file/non-finite"),
        (_with(b"v 1.0 0.0 0.0", b"v 1e31 0.0 0.0"), "beyond-range", "file/non-finite"),
        (_with(b"f 1 3 2", b"hello world"), "bad-statement", UNREADABLE),
        (_with(b"f 1 3 2", b"call other.obj"), "bad-statement", UNREADABLE),
        (_with(b"f 1 3 2", b"f 1 3 2\n2 3 4"), "bad-statement", UNREADABLE),
        (_with(b"f 1 3 2", b"f 1 \0 2"), "nul-bytes", UNREADABLE),
        (PLAIN + bytes(2000), "nul-bytes", UNREADABLE),
        (PLAIN + b"\n" * 2000 + bytes(10), "nul-bytes", UNREADABLE),
        (PLAIN.decode().encode("utf-16"), "utf-16-text", UNREADABLE),
        (PLAIN.decode().encode("utf-16-le"), "utf-16-text", UNREADABLE),
        (PLAIN.decode().encode("utf-16-be"), "utf-16-text", UNREADABLE),
        (b"\n<!DOCTYPE html>\n<html><body>404</body></html>", "web-page", UNREADABLE),
        (POINTS, "point-cloud", NO_TRIANGLES),
        (b"# nothing\n", "no-facets", NO_TRIANGLES),
        (b"v 1 1 1\n" * 3 + b"f 1 2 3\n", "all-collapsed", NO_TRIANGLES),
        (PLAIN + b"v " + b"1" * 20_000_000 + b" 2 3\n", "line-too-long", UNREADABLE),
        (PLAIN + b"v 1 2" + b" " * 20_000_000 + b"3\n", "line-too-long", UNREADABLE),
        (PLAIN + b"# " + b"x" * 20_000_000, "line-too-long", UNREADABLE),
        (PLAIN + b"f" + b" 1" * 10_000_000, "line-too-long", UNREADABLE),
    ],
)  # fmt: skip
def test_what_is_refused(data: bytes, reason: str, rule: str) -> None:
    assert refusal(data, "jaw.obj") == (reason, rule)


def test_the_refusal_names_the_line() -> None:
    with pytest.raises(Unreadable, match=r"\(line 6\)"):
        read_scan(_with(b"f 1 2 4", b"f 1 2 9"), "jaw.obj")
