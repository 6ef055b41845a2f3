"""ASCII STL: what the words may be, and where the text may end."""

from __future__ import annotations

import numpy as np
import pytest

from server.metrology.readers import read_scan
from server.metrology.readers.reading import FileFormat, Unreadable
from tests.metrology.readers.mesh_files import TETRAHEDRON, notes, refusal, stl_text, texts, volume

UNREADABLE, TRUNCATED, NO_TRIANGLES = "file/unreadable", "file/truncated", "file/no-triangles"
PLAIN = stl_text(TETRAHEDRON)


def test_a_tetrahedron_is_read() -> None:
    reading = read_scan(PLAIN, "jaw.stl")
    assert reading.format is FileFormat.STL_ASCII
    assert (reading.n_facets_stored, reading.n_collapsed_facets) == (4, 0)
    assert np.array_equal(reading.scan.vertices[reading.scan.faces], TETRAHEDRON)
    assert volume(reading) == pytest.approx(1 / 6, abs=1e-15)
    assert reading.single_precision
    assert texts(reading) == [("solid", "x")]
    assert reading.notes == ()


@pytest.mark.parametrize(
    "data",
    [
        PLAIN.replace(b"\n", b"\r\n"),
        PLAIN.replace(b"\n", b"\r"),
        PLAIN.replace(b" ", b"\t"),
        PLAIN.upper(),
        PLAIN.replace(b"outer loop\n", b"outer  loop \n\n\n"),
        PLAIN.replace(b"endfacet\n", b"endfacet "),
        PLAIN.rstrip(),
        PLAIN + b"\n \t\r\n",
        b"\n  " + PLAIN,
        PLAIN.replace(b"solid x", b"solid"),
        PLAIN.replace(b"endsolid x", b"endsolid another name"),
    ],
)
def test_blanks_case_and_line_ends_do_not_matter(data: bytes) -> None:
    assert np.array_equal(read_scan(data, "jaw.stl").scan.vertices, read_scan(PLAIN, "jaw.stl").scan.vertices)


@pytest.mark.parametrize("normal", ["nan nan nan", "-nan(ind) 0 0", "1.#QNAN 0 1", "inf 0 0", "1,5 0 0"])
def test_facet_normals_are_ignored_whatever_they_are(normal: str) -> None:
    assert read_scan(stl_text(TETRAHEDRON, normal=normal), "jaw.stl").scan.n_faces == 4


def test_a_byte_order_mark_is_ignored_with_a_note() -> None:
    reading = read_scan(b"\xef\xbb\xbf" + PLAIN, "jaw.stl")
    assert (reading.scan.n_faces, notes(reading)) == (4, {"byte-order-mark"})


def test_zeros_after_the_text_are_ignored_with_a_note() -> None:
    reading = read_scan(PLAIN + bytes(512), "jaw.stl")
    assert (reading.scan.n_faces, notes(reading)) == (4, {"trailing-bytes"})


def test_names_of_solids_are_texts_blanks_included() -> None:
    name = "Anne Muster 1999-01-01 solid facet endsolid"
    assert texts(read_scan(stl_text(TETRAHEDRON, name=name), "jaw.stl")) == [("solid", name)]


def test_two_solids_are_one_scan_with_a_note() -> None:
    reading = read_scan(stl_text(TETRAHEDRON, name="a b") + stl_text(TETRAHEDRON + 5.0, name="c"), "jaw.stl")
    assert (reading.scan.n_faces, reading.scan.n_vertices) == (8, 8)
    assert notes(reading) == {"several-solids"}
    assert texts(reading) == [("solid", "a b"), ("solid", "c")]


def test_numbers_are_read_to_the_nearest_double() -> None:
    rng = np.random.default_rng(3)
    corners = rng.normal(size=(50, 3, 3)) * 10.0 ** rng.integers(-6, 6, (50, 3, 3))
    reading = read_scan(stl_text(corners, number="%.17g"), "jaw.stl")
    assert np.array_equal(reading.scan.vertices[reading.scan.faces], corners)
    assert not reading.single_precision


@pytest.mark.parametrize(
    ("number", "is_single"),
    [("%.9g", False), ("%.6f", False), ("%e", True), ("%.3f", True), ("%.12f", False), ("%.17g", False)],
)
def test_single_precision_is_what_the_digits_allow(number: str, is_single: bool) -> None:
    """Text of a 32-bit float is told from text of more by whether the nearest 32-bit float prints the same."""
    corners = np.random.default_rng(4).normal(size=(20, 3, 3)) * 20.0
    assert read_scan(stl_text(corners, number=number), "jaw.stl").single_precision is is_single
    singles = corners.astype(np.float32)
    assert read_scan(stl_text(singles, number=number), "jaw.stl").single_precision


@pytest.mark.parametrize(
    ("data", "reason", "rule"),
    [
        (PLAIN[: PLAIN.rindex(b"endsolid")], "no-endsolid", TRUNCATED),
        (PLAIN[: PLAIN.rindex(b"endloop")], "no-endsolid", TRUNCATED),
        (PLAIN[: PLAIN.rindex(b"endfacet") + 4], "no-endsolid", TRUNCATED),
        (PLAIN[: PLAIN.rindex(b"vertex") + 9], "no-endsolid", TRUNCATED),
        (PLAIN[: PLAIN.rindex(b"normal")], "no-endsolid", TRUNCATED),
        (b"solid", "no-endsolid", TRUNCATED),
        (b"solid x\nendsolid x\n", "no-facets", NO_TRIANGLES),
        (PLAIN.replace(b"outer loop", b"outer", 1), "bad-statement", UNREADABLE),
        (PLAIN.replace(b"facet normal 0 0 1", b"facet", 1), "bad-statement", UNREADABLE),
        (PLAIN.replace(b"endloop", b"vertex 1 2 3\nendloop", 1), "bad-statement", UNREADABLE),
        (PLAIN.replace(b" endloop", b"", 1), "bad-statement", UNREADABLE),
        (PLAIN + b"and more\n", "bad-statement", UNREADABLE),
        (PLAIN.replace(b"vertex 1 0 0", b"vertex 1 0 O", 1), "bad-number", UNREADABLE),
        (PLAIN.replace(b"vertex 1 0 0", b"vertex 1 0", 1), "bad-number", UNREADABLE),
        (PLAIN.replace(b"vertex 1 0 0", b"vertex 1 0 " + b"1" * 401, 1), "bad-number", UNREADABLE),
        (PLAIN.replace(b"vertex 1 0 0", b"vertex 1,5 0 0", 1), "decimal-commas", UNREADABLE),
        (PLAIN.replace(b"vertex 1 0 0", b"vertex 1e0,5 0 0", 1), "decimal-commas", UNREADABLE),
        (PLAIN.replace(b"vertex 1 0 0", b"vertex 1 \0 0", 1), "nul-bytes", UNREADABLE),
        (PLAIN.replace(b"vertex 1 0 0", b"vertex 1 nan 0", 1), "not-finite", "file/non-finite"),
        (PLAIN.replace(b"vertex 1 0 0", b"vertex 1 -inf 0", 1), "not-finite", "file/non-finite"),
        (PLAIN.replace(b"vertex 1 0 0", b"vertex 1 -1.#IND 0", 1), "not-finite", "file/non-finite"),
        (PLAIN.replace(b"vertex 1 0 0", b"vertex 1 3e38 0", 1), "beyond-range", "file/non-finite"),
        (PLAIN.replace(b"vertex 1 0 0", b"vertex 1 1e999 0", 1), "beyond-range", "file/non-finite"),
        (stl_text(np.ones((3, 3, 3))), "all-collapsed", NO_TRIANGLES),
        (b"solid " + b"x" * 20_000_000, "line-too-long", UNREADABLE),
        (PLAIN.replace(b"\n", b" ") + b" facet" * 100, "no-endsolid", TRUNCATED),
        (b"solid x\n" + b" " * 20_000_000 + PLAIN[8:], "line-too-long", UNREADABLE),
        (b"solid x\n" + PLAIN.replace(b"\n", b" ")[8:-11] * 60_000, "line-too-long", UNREADABLE),
    ],
)  # fmt: skip
def test_what_is_refused(data: bytes, reason: str, rule: str) -> None:
    assert refusal(data, "jaw.stl") == (reason, rule)


def test_the_refusal_names_the_line() -> None:
    with pytest.raises(Unreadable, match=r"line 6\b"):
        read_scan(PLAIN.replace(b"vertex 1 0 0", b"vertex 1 0 O", 1).replace(b"\n", b"\r\n"), "jaw.stl")


def test_denormals_are_read_as_zero_with_a_note() -> None:
    reading = read_scan(PLAIN.replace(b"vertex 0 0 0", b"vertex 0 1e-310 -1e-42"), "jaw.stl")
    assert notes(reading) == {"denormals"}
    assert np.array_equal(reading.scan.vertices[reading.scan.faces], TETRAHEDRON)
