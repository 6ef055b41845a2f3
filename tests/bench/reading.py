"""Reading, welding and the topology of a surface, beside a raw read of the same bytes and beside trimesh."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import numpy as np
import trimesh

from server.metrology.readers import read_scan
from server.metrology.topology import topology_of
from tests.bench.sets import REAL, n_triangles, phantom_set, surfaces
from tests.bench.timing import Figure, least_times_s

REPEATS = 5
FACET = np.dtype([("normal", "<f4", 3), ("corners", "<f4", (3, 3)), ("attribute", "<u2")])


def figures(folder: Path) -> Iterator[Figure]:
    path = surfaces(phantom_set(folder, detail=REAL))[0]
    times = least_times_s(
        {
            "raw": lambda: raw_read(path),
            "ours": lambda: topology_of(read_scan(path.read_bytes(), path.name).scan),
            "trimesh": lambda: trimesh_topology(path),
        },
        repeats=REPEATS,
    )
    shown = {"triangles": n_triangles([path]), **{f"{name}_s": s for name, s in times.items()}}
    yield Figure("read, weld, topology ÷ raw read", times["ours"] / times["raw"], "×", 4.0, shown=shown)
    yield Figure(
        "trimesh ÷ read, weld, topology",
        times["trimesh"] / times["ours"],
        "×",
        20.0,
        is_least=True,
        shown=shown,
    )


def raw_read(path: Path) -> object:
    """The corners of a binary STL as numbers in memory, and nothing made of them."""
    return np.frombuffer(path.read_bytes(), FACET, offset=84)["corners"].astype(np.float64)


def trimesh_topology(path: Path) -> object:
    """trimesh's own answers to what our topology answers: shells, borders, closure, winding, χ, area, volume."""
    mesh = trimesh.load_mesh(path)
    return (
        mesh.body_count,
        mesh.euler_number,
        mesh.is_watertight,
        mesh.is_winding_consistent,
        mesh.outline(),
        mesh.area,
        mesh.volume,
    )
