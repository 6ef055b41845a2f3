"""Binary STL: the size law, and every way to break it."""

from __future__ import annotations

import numpy as np
import pytest

from server.metrology.readers import read_scan
from server.metrology.readers.reading import FileFormat, Unreadable
from tests.metrology.readers.mesh_files import (
    BOX_POINTS,
    BOX_QUADS,
    TETRAHEDRON,
    corners_of,
    notes,
    refusal,
    stl,
    texts,
    volume,
)

UNREADABLE, TRUNCATED, NO_TRIANGLES = "file/unreadable", "file/truncated", "file/no-triangles"
BOX = corners_of(BOX_POINTS, [f for q in BOX_QUADS for f in (q[:3], (q[0], q[2], q[3]))])


def test_twelve_facets_are_684_bytes_and_200_000_are_ten_million() -> None:
    """84 + 50 n; check value 13 of the project's table."""
    assert len(stl(BOX)) == 684
    assert len(stl(np.zeros((200_000, 3, 3)))) == 10_000_084


def test_a_tetrahedron_is_read_and_welded() -> None:
    reading = read_scan(stl(TETRAHEDRON), "jaw.stl")
    assert reading.format is FileFormat.STL_BINARY
    assert (reading.n_facets_stored, reading.n_collapsed_facets) == (4, 0)
    assert (reading.scan.n_vertices, reading.scan.n_faces) == (4, 4)
    assert reading.scan.vertices.dtype == np.float64
    assert reading.scan.faces.dtype == np.int32
    assert np.array_equal(reading.scan.vertices[reading.scan.faces], TETRAHEDRON)
    assert volume(reading) == pytest.approx(1 / 6, abs=1e-15)
    assert reading.single_precision
    assert reading.unit_mm is None
    assert (reading.notes, reading.texts) == ((), ())


def test_a_box_has_its_volume() -> None:
    assert volume(read_scan(stl(BOX), "box.stl")) == 30.0
    assert volume(read_scan(stl(BOX[:, ::-1]), "box.stl")) == -30.0


def test_a_memoryview_is_as_good_as_bytes() -> None:
    assert read_scan(memoryview(bytearray(stl(TETRAHEDRON))), "jaw.stl").scan.n_faces == 4


@pytest.mark.parametrize(
    "header", [b"solid jaw, as some programs write", b"solid", b"facet normal", b"%PDF-1.7", b"PK\3\4"]
)
def test_the_size_law_decides_before_the_header_does(header: bytes) -> None:
    assert read_scan(stl(TETRAHEDRON, header=header), "jaw.stl").format is FileFormat.STL_BINARY


def test_the_header_is_a_text() -> None:
    reading = read_scan(stl(TETRAHEDRON, header=b"Exported for \xc3\x84nne M\x00\x07uster"), "jaw.stl")
    assert texts(reading) == [("header", "Exported for Änne M uster")]


def test_a_header_that_is_not_utf_8_is_still_a_text() -> None:
    assert texts(read_scan(stl(TETRAHEDRON, header=b"M\xfcller"), "jaw.stl")) == [("header", "Müller")]


@pytest.mark.parametrize("tail", [b"\1", b"\xff" * 49, bytes(50), bytes(4096)])
def test_less_than_a_record_of_trailing_bytes_or_zeros_only_is_noted(tail: bytes) -> None:
    reading = read_scan(stl(TETRAHEDRON, tail=tail), "jaw.stl")
    assert reading.scan.n_faces == 4
    assert notes(reading) == {"trailing-bytes"}


def test_facet_normals_are_ignored_even_where_they_are_no_numbers() -> None:
    data = bytearray(stl(TETRAHEDRON))
    data[84:96] = np.full(3, np.nan, "<f4").tobytes()
    assert read_scan(bytes(data), "jaw.stl").scan.n_faces == 4


@pytest.mark.parametrize(
    ("data", "reason", "rule"),
    [
        (b"", "empty", UNREADABLE),
        (bytes(5_000_000), "only-nul-bytes", UNREADABLE),
        (b"short", "unknown-format", UNREADABLE),
        (b"\1\2\3", "too-short", TRUNCATED),
        (stl([], header=b"x")[:80], "too-short", TRUNCATED),
        (b"x".ljust(80), "unknown-format", UNREADABLE),
        (stl([], header=b"x"), "no-facets", NO_TRIANGLES),
        (stl([], header=b"\0"), "only-nul-bytes", UNREADABLE),
        (stl(TETRAHEDRON[:1], count=2**32 - 1), "count-impossible", UNREADABLE),
        (stl(TETRAHEDRON[:1], count=2**31 + 1), "count-impossible", UNREADABLE),
        (stl(TETRAHEDRON)[:-1], "cut-short", TRUNCATED),
        (stl(TETRAHEDRON)[:-50], "cut-short", TRUNCATED),
        (stl(TETRAHEDRON)[:120], "cut-short", TRUNCATED),
        (stl(TETRAHEDRON, header=b"solid x")[:-1], "cut-short", TRUNCATED),
        (stl(TETRAHEDRON, count=3), "data-beyond-count", UNREADABLE),
        (stl(TETRAHEDRON, count=0), "data-beyond-count", UNREADABLE),
        (stl(TETRAHEDRON, tail=b"\1" * 50), "data-beyond-count", UNREADABLE),
        (stl(np.zeros((7, 3, 3)), header=b"x"), "all-collapsed", NO_TRIANGLES),
    ],
)
def test_what_is_refused(data: bytes, reason: str, rule: str) -> None:
    assert refusal(data, "jaw.stl") == (reason, rule)


def test_the_refusal_shows_both_numbers() -> None:
    with pytest.raises(Unreadable, match=r"holds 4 facets, but there are 3") as refused:
        read_scan(stl(TETRAHEDRON)[:-20], "jaw.stl")
    assert refused.value.code == refused.value.reason == "cut-short"


@pytest.mark.parametrize("bad", [np.nan, np.inf, -np.inf])
def test_coordinates_that_are_no_finite_numbers_are_refused_with_their_count(bad: float) -> None:
    corners = TETRAHEDRON.copy()
    corners[1, 2, 0] = corners[2, 0, 1] = bad
    assert refusal(stl(corners), "jaw.stl") == ("not-finite", "file/non-finite")


@pytest.mark.parametrize("far", [3e38, -3e38, 1.0001e9])
def test_coordinates_beyond_any_scan_are_refused(far: float) -> None:
    corners = TETRAHEDRON.copy()
    corners[1, 2, 0] = far
    assert refusal(stl(corners), "jaw.stl") == ("beyond-range", "file/non-finite")


def test_coordinates_far_from_the_origin_are_read() -> None:
    reading = read_scan(stl(TETRAHEDRON * 4096 + 2.0**29), "jaw.stl")
    assert reading.scan.vertices.max() == 2.0**29 + 4096


def test_denormals_are_read_as_zero_with_a_note() -> None:
    corners = TETRAHEDRON.astype(np.float32)
    corners[corners == 0] = np.float32(1e-40)
    corners[0, 0, 0] = np.float32(-1e-44)
    reading = read_scan(stl(corners), "jaw.stl")
    assert notes(reading) == {"denormals"}
    assert np.array_equal(reading.scan.vertices[reading.scan.faces], TETRAHEDRON)


def test_facets_with_two_equal_corners_are_left_out_and_counted() -> None:
    corners = np.concatenate([TETRAHEDRON, [[[0, 0, 0], [-0.0, 0, 0], [1, 0, 0]]], [[[9, 9, 9]] * 3]])
    reading = read_scan(stl(corners), "jaw.stl")
    assert (reading.n_facets_stored, reading.n_collapsed_facets, reading.scan.n_faces) == (6, 2, 4)
    assert reading.scan.n_vertices == 4, "the place of a collapsed facet alone is no vertex of the surface"


def test_other_names_are_read_with_a_note() -> None:
    for name in ("jaw.ply", "jaw.obj", "jaw.STL.3mf", "jaw.txt"):
        reading = read_scan(stl(TETRAHEDRON), name)
        assert reading.format is FileFormat.STL_BINARY
        assert notes(reading) == {"name-differs"}
    for name in ("jaw.stl", "JAW.STL", "jaw", "C:\\scans\\jaw.stl"):
        assert notes(read_scan(stl(TETRAHEDRON), name)) == set()
