"""A surface with no long edges: what has corners only at its rims, as a solid from a drawing has, or was thinned to long
facets, gets points between them."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from server.metrology.scan import Points, Scan

Floats = NDArray[np.float64]

MOST_ROUNDS = 12
"""Each round halves the longest edges: 30 mm come down to less than a hundredth of a millimetre."""
MOST_FACETS = 1_500_000
"""No round is begun beyond this."""
_SIDES = ((0, 1), (1, 2), (2, 0))


def long_share(scan: Scan, long_mm: float) -> float:
    """The share of the area that lies in facets with an edge longer than long_mm; 0 for a surface without area."""
    corners = scan.vertices[scan.faces]
    edges = np.stack([np.linalg.norm(corners[:, b] - corners[:, a], axis=1) for a, b in _SIDES], axis=1)
    area = np.linalg.norm(np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0]), axis=1)
    total = float(area.sum())
    return float(area[edges.max(axis=1) > long_mm].sum()) / total if total > 0.0 else 0.0


def finer(scan: Scan, most_mm: float) -> Scan:
    """The same surface, no edge longer than most_mm: each that is gets a point in its middle, on both facets beside it, so that
    they still meet. Points that were there keep their numbers. Left coarser where it would grow beyond MOST_FACETS."""
    vertices, faces = scan.vertices, scan.faces.astype(np.int64)
    for _ in range(MOST_ROUNDS):
        if len(faces) > MOST_FACETS:
            break
        vertices, faces, is_done = _halved(vertices, faces, most_mm)
        if is_done:
            break
    return Scan(vertices, faces.astype(np.int32))


def _halved(
    vertices: Points, faces: NDArray[np.int64], most_mm: float
) -> tuple[Points, NDArray[np.int64], bool]:
    """One round, and whether there was nothing to do."""
    ends = np.sort(np.stack([faces[:, side] for side in _SIDES], axis=1), axis=2)
    long = np.linalg.norm(vertices[ends[..., 1]] - vertices[ends[..., 0]], axis=2) > most_mm
    if not long.any():
        return vertices, faces, True
    keys = ends[..., 0] * len(vertices) + ends[..., 1]
    cut, number = np.unique(keys[long], return_inverse=True)
    middles = 0.5 * (vertices[cut // len(vertices)] + vertices[cut % len(vertices)])
    middle = np.full(long.shape, -1, dtype=np.int64)
    middle[long] = len(vertices) + number.reshape(-1)
    made = [faces[~long.any(axis=1)]]
    for first in range(3):
        made += _cut(faces, middle, long, first)
    whole = long.all(axis=1)
    a, b, c = faces[whole].T
    ab, bc, ca = middle[whole].T
    made += [np.stack(t, axis=1) for t in ((a, ab, ca), (ab, b, bc), (ca, bc, c), (ab, bc, ca))]
    return np.vstack([vertices, middles]), np.concatenate(made), False


def _cut(
    faces: NDArray[np.int64], middle: NDArray[np.int64], long: NDArray[np.bool_], first: int
) -> list[NDArray[np.int64]]:
    """The pieces of the facets of which only the side `first` is long, and of those of which that and the next one are."""
    second, third = (first + 1) % 3, (first + 2) % 3
    one = long[:, first] & ~long[:, second] & ~long[:, third]
    a, b, c = faces[one, first], faces[one, second], faces[one, third]
    m = middle[one, first]
    pieces = [(a, m, c), (m, b, c)]
    two = long[:, first] & long[:, second] & ~long[:, third]
    a2, b2, c2 = faces[two, first], faces[two, second], faces[two, third]
    m2, n2 = middle[two, first], middle[two, second]
    pieces += [(a2, m2, n2), (m2, b2, n2), (a2, n2, c2)]
    return [np.stack(piece, axis=1) for piece in pieces]
