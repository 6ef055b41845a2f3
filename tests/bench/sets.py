"""Record sets of several sizes to be timed: a phantom, and the same phantom with every facet cut into four."""

from __future__ import annotations

import json
import shutil
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from seed_data.phantoms.mesh_files import stl_bytes
from seed_data.phantoms.phantom import make_phantom
from server.metrology.readers import read_scan
from server.records.roles import MESH_ROLES, Role
from server.records.teeth import Arch

SEED = 3
NOISE_MM = 0.008
REAL, LIGHT = 1.0, 0.6


def phantom_set(folder: Path, *, detail: float) -> Path:
    """A clean record set; every surface a binary STL in mm. Made once and kept in the folder."""
    out = folder / f"detail-{detail:g}"
    if not (out / "made").exists():
        shutil.rmtree(out, ignore_errors=True)
        make_phantom(out, seed=SEED, arch=Arch.LOWER, detail=detail)
        _rewrite(out, times=0)
        (out / "made").touch()
    return out


def refined_set(folder: Path, *, times: int) -> Path:
    """The light phantom with four times as many facets for each time."""
    out = folder / f"refined-{times}"
    if not (out / "made").exists():
        shutil.rmtree(out, ignore_errors=True)
        shutil.copytree(phantom_set(folder, detail=LIGHT), out)
        _rewrite(out, times=times)
        (out / "made").touch()
    return out


def surfaces(folder: Path) -> list[Path]:
    """The surface files of a set, largest first."""
    form = json.loads((folder / "case.json").read_text())
    roles = {role.value for role in MESH_ROLES}
    files = [folder / entry["file"] for entry in form["records"] if entry["role"] in roles]
    return sorted(files, key=lambda path: -path.stat().st_size)


def file_of(folder: Path, role: Role) -> Path:
    form = json.loads((folder / "case.json").read_text())
    name: str = next(entry["file"] for entry in form["records"] if entry["role"] == role.value)
    return folder / name


def n_triangles(files: list[Path]) -> int:
    """Of binary STL files, by their size."""
    return sum((path.stat().st_size - 84) // 50 for path in files)


def _rewrite(folder: Path, *, times: int) -> None:
    form = json.loads((folder / "case.json").read_text())
    for entry in form["records"]:
        if Role(entry["role"]) not in MESH_ROLES:
            continue
        path = folder / entry["file"]
        scan = read_scan(path.read_bytes(), path.name).scan
        vertices, faces = scan.vertices, scan.faces.astype(np.int64)
        for _ in range(times):
            vertices, faces = cut_in_four(vertices, faces)
        path.unlink()
        entry["file"] = f"{path.stem}.stl"
        (folder / entry["file"]).write_bytes(stl_bytes(vertices, faces))
    (folder / "case.json").write_text(json.dumps(form))


def cut_in_four(
    vertices: NDArray[np.float64], faces: NDArray[np.int64]
) -> tuple[NDArray[np.float64], NDArray[np.int64]]:
    """Every facet cut at the middles of its edges, which are scattered by some microns, as a scanner would."""
    edges = np.sort(faces[:, [[0, 1], [1, 2], [2, 0]]].reshape(-1, 2), axis=1)
    key = edges[:, 0] * len(vertices) + edges[:, 1]
    _, first, which = np.unique(key, return_index=True, return_inverse=True)
    middles = vertices[edges[first]].mean(axis=1)
    middles += np.random.default_rng(4).normal(scale=NOISE_MM, size=middles.shape)
    ab, bc, ca = (which.reshape(-1, 3) + len(vertices)).T
    a, b, c = faces.T
    new = [np.column_stack(row) for row in ((a, ab, ca), (ab, b, bc), (ca, bc, c), (ab, bc, ca))]
    return np.concatenate([vertices, middles]), np.concatenate(new)
