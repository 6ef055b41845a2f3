"""The surfaces of a package: records brought into the joint frame, reference bodies placed, all of it in one 3MF."""

from __future__ import annotations

import io
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import trimesh
from numpy.typing import NDArray

from server.errors import ArchproofError
from server.metrology.readers import read_scan
from server.metrology.readers.reading import Unreadable
from server.metrology.rigid import apply
from server.metrology.scan import Scan


class PackageBroken(ArchproofError):
    """What was written is not what it should be; nothing of it is handed on."""

    code = "package-broken"


Floats = NDArray[np.float64]
Rows = tuple[tuple[float, ...], ...]


@dataclass(frozen=True, slots=True)
class Piece:
    """One surface of the package. path: within the archive; data: binary STL, or binary PLY where the scan has colours.
    role: a record's role, `positive` or `body`; source: the file it came from; T_joint_source: rows, from that file's frame
    and, for a record, after its unit was applied, to the joint frame. placed: whether it is in the joint frame at all.
    """

    path: str
    data: bytes
    role: str
    source: str
    T_joint_source: Rows
    placed: bool
    unit_mm: float
    is_turned: bool
    n_faces: int
    area_mm2: float
    volume_mm3: float | None
    says: str


def moved(scan: Scan, T: Floats) -> Scan:
    """The surface under a rigid motion (4, 4)."""
    return Scan(apply(T, scan.vertices), scan.faces, scan.vertex_rgb)


def surface_bytes(scan: Scan) -> tuple[str, bytes]:
    """How the file's name ends, and its bytes: PLY where the scan has colours, else STL; both binary, mm."""
    mesh = trimesh.Trimesh(scan.vertices, scan.faces, process=False, vertex_colors=scan.vertex_rgb)
    ending = "stl" if scan.vertex_rgb is None else "ply"
    out = io.BytesIO()
    mesh.export(out, file_type=ending)
    return ending, out.getvalue()


def require_same(data: bytes, path: str, scan: Scan) -> None:
    """Reads a written surface back. Raises PackageBroken where it is not the one that was to be written."""
    try:
        back = read_scan(data, path)
    except Unreadable as refusal:
        raise PackageBroken(f"{path} cannot be read back: {refusal.says}") from refusal
    n_facets = back.n_facets_stored
    far_mm = float(np.abs(_box(back.scan) - _box(scan)).max())
    step_mm = float(np.spacing(np.abs(scan.vertices).max(initial=1.0).astype(np.float32)))
    if n_facets != scan.n_faces or far_mm > step_mm:
        raise PackageBroken(
            f"{path} was not written as it should be: {n_facets} facets, {far_mm:.6f} mm off."
        )


def _box(scan: Scan) -> Floats:
    used = scan.vertices[np.unique(scan.faces)]
    return np.stack([used.min(axis=0), used.max(axis=0)])


def scene_bytes(named: Sequence[tuple[str, Scan]]) -> bytes:
    """One 3MF, in millimetres, with an object for each surface under its name, all in place; empty where there is none."""
    if not named:
        return b""
    scene = trimesh.Scene()
    for name, scan in named:
        mesh = trimesh.Trimesh(scan.vertices, scan.faces, process=False)
        scene.add_geometry(mesh, node_name=name, geom_name=name)
    out = io.BytesIO()
    scene.export(out, file_type="3mf")  # type: ignore[no-untyped-call]
    return out.getvalue()
