"""Small files of every kind, made by hand, and benches to lay them on."""

from __future__ import annotations

import struct
from collections.abc import Sequence

import numpy as np

from server.measures.bench import RecordBench
from server.measures.body_set import BodySet
from server.records.roles import Role, Unit

TABLE = (
    b"tooth,x_mm,y_mm,z_mm,axis_x,axis_y,axis_z\n36,0,0,0,0,0,1\n33,10,20,0,0,0,1\n"
    b"43,30,20,0,0,0,1\n46,40,0,0,0,0,1\n"
)


def patch(size: float, at: tuple[float, float, float] = (0.0, 0.0, 0.0), n: int = 6) -> np.ndarray:
    """(2 (n-1)^2, 3, 3) corners of a flat square of that edge length, in a grid of n x n points."""
    steps = np.linspace(0.0, size, n)
    corner = [[np.array([x, y, 0.0]) + at for y in steps] for x in steps]
    facets: list[Sequence[np.ndarray]] = []
    for i in range(n - 1):
        for k in range(n - 1):
            a, b, c, d = corner[i][k], corner[i + 1][k], corner[i + 1][k + 1], corner[i][k + 1]
            facets += [(a, b, c), (a, c, d)]
    return np.array(facets)


def stl(facets: np.ndarray, header: bytes = b"") -> bytes:
    """Binary STL: 80 bytes of header, the count, 50 bytes for each facet."""
    rows = (struct.pack("<12fH", 0, 0, 0, *map(float, facet.ravel()), 0) for facet in facets)
    return header.ljust(80, b"\0")[:80] + struct.pack("<I", len(facets)) + b"".join(rows)


def obj(facets: np.ndarray, comment: str = "") -> bytes:
    """OBJ with coordinates to 9 digits and one comment."""
    points = facets.reshape(-1, 3)
    lines = [f"# {comment}", *(f"v {x:.9g} {y:.9g} {z:.9g}" for x, y, z in points)]
    lines += [f"f {k + 1} {k + 2} {k + 3}" for k in range(0, len(points), 3)]
    return "\n".join(lines).encode() + b"\n"


def bench(
    data: bytes,
    name: str = "jaw.stl",
    role: Role = Role.JAW,
    unit: Unit = Unit.MM,
    bodies: BodySet | None = None,
) -> RecordBench:
    return RecordBench(data, file_name=name, role=role, unit=unit, bodies=bodies)
