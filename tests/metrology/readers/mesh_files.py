"""Mesh files written byte by byte, right or wrong on purpose, without any library that reads or writes meshes."""

from __future__ import annotations

import struct
from collections.abc import Sequence

import numpy as np
import pytest
from numpy.typing import ArrayLike, NDArray

from server.metrology.readers import read_scan
from server.metrology.readers.reading import Reading, Unreadable

TETRAHEDRON_POINTS = np.array([[0, 0, 0], [1, 0, 0], [0, 1, 0], [0, 0, 1]], np.float64)
TETRAHEDRON_FACES = np.array([[0, 2, 1], [0, 1, 3], [1, 2, 3], [0, 3, 2]], np.int32)
BOX_POINTS = np.array([[x, y, z] for x in (0, 2) for y in (0, 3) for z in (0, 5)], np.float64)
BOX_QUADS = ((0, 1, 3, 2), (4, 6, 7, 5), (0, 4, 5, 1), (2, 3, 7, 6), (0, 2, 6, 4), (1, 5, 7, 3))


def sheet(n: int) -> tuple[NDArray[np.float64], NDArray[np.int32]]:
    """A wavy sheet of n × n points, about 2 n² facets, of coordinates that 32-bit floats hold exactly."""
    step = np.arange(n, dtype=np.float64) / 4
    x, y = np.meshgrid(step, step, indexing="ij")
    z = np.float64(np.float32(np.sin(x) * np.cos(y)))
    at = np.arange(n * n).reshape(n, n)
    a, b, c, d = at[:-1, :-1].ravel(), at[1:, :-1].ravel(), at[1:, 1:].ravel(), at[:-1, 1:].ravel()
    faces = np.concatenate([np.column_stack([a, b, c]), np.column_stack([a, c, d])]).astype(np.int32)
    return np.column_stack([x.ravel(), y.ravel(), z.ravel()]), faces


def stl(corners: ArrayLike, *, count: int | None = None, header: bytes = b"", tail: bytes = b"") -> bytes:
    """A binary STL of (n, 3, 3) corners; count and tail may lie."""
    stored = np.asarray(corners, np.float32).reshape(-1, 9)
    records = np.zeros(len(stored), [("normal", "<f4", 3), ("corners", "<f4", 9), ("attribute", "<u2")])
    records["corners"] = stored
    n_facets = len(stored) if count is None else count
    return header.ljust(80, b"\0")[:80] + struct.pack("<I", n_facets) + records.tobytes() + tail


def stl_text(corners: ArrayLike, *, name: str = "x", number: str = "%.9g", normal: str = "0 0 1") -> bytes:
    lines = [f"solid {name}".rstrip()]
    for facet in np.asarray(corners, np.float64).reshape(-1, 3, 3):
        lines += [f"facet normal {normal}", " outer loop"]
        lines += ["  vertex " + " ".join(number % c for c in corner) for corner in facet]
        lines += [" endloop", "endfacet"]
    return "\n".join([*lines, f"endsolid {name}".rstrip(), ""]).encode()


def obj_text(points: ArrayLike, polygons: Sequence[Sequence[int]] | NDArray[np.int32]) -> bytes:
    lines = ["v " + " ".join(map(repr, p)) for p in np.asarray(points, np.float64).tolist()]
    lines += ["f " + " ".join(str(i + 1) for i in polygon) for polygon in polygons]
    return "\n".join([*lines, ""]).encode()


def ply_header(encoding: str, n_points: object, n_faces: object, *, vertex: str = "float x|float y|float z",
               face: str = "list uchar int vertex_indices", extra: str = "", end: str = "\n") -> bytes:  # fmt: skip
    lines = (
        ["ply", f"format {encoding} 1.0", *extra.split("|")] if extra else ["ply", f"format {encoding} 1.0"]
    )
    lines += [f"element vertex {n_points}", *(f"property {p}" for p in vertex.split("|") if p)]
    lines += [f"element face {n_faces}", *(f"property {p}" for p in face.split("|") if p)]
    return end.join([*lines, "end_header", ""]).encode()


def ply_text(points: ArrayLike, polygons: Sequence[Sequence[int]], **header: str) -> bytes:
    rows = [" ".join(map(repr, p)) for p in np.asarray(points, np.float64).tolist()]
    rows += [" ".join(map(str, [len(p), *p])) for p in polygons]
    n_points = len(np.asarray(points))
    return ply_header("ascii", n_points, len(polygons), **header) + "\n".join([*rows, ""]).encode()


def ply_bytes(
    points: ArrayLike, polygons: Sequence[Sequence[int]], *, big: bool = False, **header: str
) -> bytes:
    order, name = (">", "binary_big_endian") if big else ("<", "binary_little_endian")
    stored = np.asarray(points, order + "f4").reshape(-1, 3)
    rows = b"".join(struct.pack(f"{order}B{len(p)}i", len(p), *p) for p in polygons)
    return ply_header(name, len(stored), len(polygons), **header) + stored.tobytes() + rows


def corners_of(points: ArrayLike, faces: ArrayLike) -> NDArray[np.float64]:
    return np.asarray(points, np.float64)[np.asarray(faces)]


def volume(reading: Reading) -> float:
    """Signed volume by the divergence theorem, in the file's units."""
    a, b, c = np.moveaxis(reading.scan.vertices[reading.scan.faces], 1, 0)
    return float(np.einsum("ij,ij->i", a, np.cross(b, c)).sum() / 6.0)


def notes(reading: Reading) -> set[str]:
    return {note.code for note in reading.notes}


def texts(reading: Reading) -> list[tuple[str, str]]:
    return [(text.where, text.text) for text in reading.texts]


def refusal(data: bytes, file_name: str) -> tuple[str, str]:
    """The reason and the rule with which a file is refused; fails where it is read."""
    with pytest.raises(Unreadable) as refused:
        read_scan(data, file_name)
    assert refused.value.says
    assert refused.value.remedy
    return refused.value.reason, refused.value.rule


TETRAHEDRON = corners_of(TETRAHEDRON_POINTS, TETRAHEDRON_FACES)
