"""Writes meshes as the exporters of scanners do, each with habits of its own."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum

import numpy as np
from numpy.typing import NDArray

from seed_data.phantoms.dice import Dice
from seed_data.phantoms.surface import Floats, Ints, face_normals


class Format(StrEnum):
    STL = "stl"
    STL_ASCII = "stl-ascii"
    PLY = "ply"
    PLY_BIG = "ply-big-endian"
    PLY_ASCII = "ply-ascii"
    OBJ = "obj"

    @property
    def ending(self) -> str:
        return self.value.split("-")[0]


@dataclass(frozen=True, slots=True)
class Habits:
    """header: text at the head of a file; facet_normals: computed, zero or nan; is_shuffled: corners and facets in
    another order than meshing left them; has_separate_corners: three vertices of its own for every facet."""

    header: str
    facet_normals: str
    is_shuffled: bool
    has_separate_corners: bool


HEADERS = (
    "",
    "binary surface export",
    "exported by chairside scanner",
    "Mesh 1.0 mm",
    "solid surface",
    "\t\n",
)


def draw_habits(rng: Dice) -> Habits:
    return Habits(
        header=HEADERS[int(rng.integers(len(HEADERS)))],
        facet_normals=("computed", "computed", "zero", "nan")[int(rng.integers(4))],
        is_shuffled=bool(rng.random() < 0.5),
        has_separate_corners=bool(rng.random() < 0.3),
    )


def mesh_bytes(
    vertices: Floats,
    faces: Ints,
    form: Format,
    habits: Habits,
    *,
    rgb: NDArray[np.uint8] | None = None,
    rng: Dice,
) -> bytes:
    """The file's bytes. Coordinates are written as they come, as 32-bit floats or with 6 decimals."""
    if habits.is_shuffled:
        faces = faces[rng.permutation(len(faces))]
        faces = np.take_along_axis(faces, (np.arange(3) + rng.integers(0, 3, (len(faces), 1))) % 3, axis=1)
        order = rng.permutation(len(vertices))
        back = np.empty_like(order)
        back[order] = np.arange(len(order))
        vertices, faces, rgb = vertices[order], back[faces], None if rgb is None else rgb[order]
    if form is Format.STL:
        return stl_bytes(vertices, faces, header=habits.header, facet_normals=habits.facet_normals)
    if form is Format.STL_ASCII:
        return stl_text(vertices, faces)
    if habits.has_separate_corners:
        rgb = None if rgb is None else rgb[faces.ravel()]
        vertices, faces = vertices[faces.ravel()], np.arange(3 * len(faces)).reshape(-1, 3)
    if form is Format.OBJ:
        return obj_text(vertices, faces, habits.header)
    return ply_bytes(vertices, faces, form, habits.header, rgb)


def stl_bytes(vertices: Floats, faces: Ints, *, header: str = "", facet_normals: str = "computed") -> bytes:
    record = np.dtype([("normal", "<f4", 3), ("corners", "<f4", (3, 3)), ("attribute", "<u2")])
    facets = np.zeros(len(faces), dtype=record)
    facets["corners"] = vertices[faces]
    if facet_normals == "nan":
        facets["normal"] = np.nan
    elif facet_normals == "computed":
        n = face_normals(vertices, faces)
        facets["normal"] = n / np.maximum(np.linalg.norm(n, axis=1, keepdims=True), 1e-30)
    head = header.encode("latin-1", "replace")[:80].ljust(80, b"\0")
    return head + len(faces).to_bytes(4, "little") + facets.tobytes()


def stl_text(vertices: Floats, faces: Ints, *, name: str = "surface") -> bytes:
    n = face_normals(vertices, faces)
    n = n / np.maximum(np.linalg.norm(n, axis=1, keepdims=True), 1e-30)
    table = np.hstack([n, vertices[faces].reshape(-1, 9)]).astype(np.float32)
    facet = (
        "facet normal %.6g %.6g %.6g\n outer loop\n"
        "  vertex %.8g %.8g %.8g\n  vertex %.8g %.8g %.8g\n  vertex %.8g %.8g %.8g\n endloop\nendfacet\n"
    )
    body = "".join(facet % tuple(row) for row in table.tolist())
    return f"solid {name}\n{body}endsolid {name}\n".encode()


def obj_text(vertices: Floats, faces: Ints, header: str) -> bytes:
    lines = [f"# {header.strip()}"] if header.strip() else []
    lines += [f"v {x:.7g} {y:.7g} {z:.7g}" for x, y, z in vertices.tolist()]
    lines += [f"f {a} {b} {c}" for a, b, c in (faces + 1).tolist()]
    return ("\n".join(lines) + "\n").encode()


def ply_bytes(
    vertices: Floats, faces: Ints, form: Format, header: str, rgb: NDArray[np.uint8] | None
) -> bytes:
    word = {
        Format.PLY: "binary_little_endian",
        Format.PLY_BIG: "binary_big_endian",
        Format.PLY_ASCII: "ascii",
    }[form]
    colours = "property uchar red\nproperty uchar green\nproperty uchar blue\n" if rgb is not None else ""
    comment = f"comment {header.strip()}\n" if header.strip() else ""
    head = (
        f"ply\nformat {word} 1.0\n{comment}element vertex {len(vertices)}\n"
        f"property float x\nproperty float y\nproperty float z\n{colours}"
        f"element face {len(faces)}\nproperty list uchar int vertex_indices\nend_header\n"
    ).encode()
    if form is Format.PLY_ASCII:
        return head + _ply_text(vertices, faces, rgb)
    order = ">" if form is Format.PLY_BIG else "<"
    fields: list[tuple[str, str, int]] = [("xyz", f"{order}f4", 3)] + (
        [("rgb", "u1", 3)] if rgb is not None else []
    )
    points = np.zeros(len(vertices), dtype=np.dtype(fields))
    points["xyz"] = vertices
    if rgb is not None:
        points["rgb"] = rgb
    lists = np.zeros(len(faces), dtype=np.dtype([("n", "u1"), ("index", f"{order}i4", 3)]))
    lists["n"] = 3
    lists["index"] = faces
    return head + points.tobytes() + lists.tobytes()


def _ply_text(vertices: Floats, faces: Ints, rgb: NDArray[np.uint8] | None) -> bytes:
    if rgb is None:
        lines = [f"{x:.7g} {y:.7g} {z:.7g}" for x, y, z in vertices.tolist()]
    else:
        pairs = zip(vertices.tolist(), rgb.tolist(), strict=True)
        lines = [f"{x:.7g} {y:.7g} {z:.7g} {r} {g} {b}" for (x, y, z), (r, g, b) in pairs]
    lines += [f"3 {a} {b} {c}" for a, b, c in faces.tolist()]
    return ("\n".join(lines) + "\n").encode()
