"""Packs a mesh into few bytes for shipping: places to 2 µm, differences between neighbours, byte planes, LZMA.

What comes back is the mesh as it was written: the scanner's noise is ten times coarser than the step.
"""

from __future__ import annotations

import lzma

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

STEP_MM = 0.002
MAGIC = b"MESH1"
_FILTERS = [{"id": lzma.FILTER_LZMA2, "preset": 9 | lzma.PRESET_EXTREME, "dict_size": 1 << 24}]


class NotPacked(ValueError):
    """The bytes are not a packed mesh."""


def pack_mesh(vertices_mm: Floats, faces: Ints) -> bytes:
    """The mesh, packed. Vertices that no face uses are dropped."""
    used, renumbered = np.unique(faces, return_inverse=True)
    places = np.round(vertices_mm[used] / STEP_MM).astype(np.int64)
    faces = renumbered.reshape(-1, 3)
    turn = faces.argmin(axis=1)
    faces = np.take_along_axis(faces, (np.arange(3) + turn[:, None]) % 3, axis=1)
    faces = faces[np.lexsort((faces[:, 2], faces[:, 1], faces[:, 0]))]
    columns = [np.diff(places, axis=0, prepend=0).T, _face_differences(faces).T]
    planes = b"".join(_planes(row) for block in columns for row in block)
    head = MAGIC + len(places).to_bytes(4, "little") + len(faces).to_bytes(4, "little")
    return head + lzma.compress(planes, format=lzma.FORMAT_RAW, filters=_FILTERS)


def unpack_mesh(data: bytes) -> tuple[Floats, Ints]:
    """Vertices (n, 3) in mm and faces (m, 3). Raises NotPacked."""
    if data[: len(MAGIC)] != MAGIC:
        raise NotPacked("the bytes do not begin as a packed mesh")
    n, m = (int.from_bytes(data[k : k + 4], "little") for k in (5, 9))
    planes = lzma.decompress(data[13:], format=lzma.FORMAT_RAW, filters=_FILTERS)
    if len(planes) != 12 * (n + m):
        raise NotPacked("the packed mesh is not as long as it says")
    rows = [_joined(planes[4 * n * k : 4 * n * (k + 1)]) for k in range(3)]
    rest = planes[12 * n :]
    first, second, third = (_joined(rest[4 * m * k : 4 * m * (k + 1)]) for k in range(3))
    a = np.cumsum(first)
    vertices = np.asarray(np.cumsum(np.stack(rows, axis=1), axis=0) * STEP_MM, dtype=np.float64)
    return vertices, np.stack([a, a + second, a + second + third], axis=1)


def _face_differences(faces: Ints) -> Ints:
    first = np.diff(faces[:, 0], prepend=0)
    return np.stack([first, faces[:, 1] - faces[:, 0], faces[:, 2] - faces[:, 1]], axis=1)


def _planes(values: Ints) -> bytes:
    """32-bit zigzag codes, lowest bytes first."""
    codes = ((values << 1) ^ (values >> 63)).astype("<u4")
    return codes.view(np.uint8).reshape(-1, 4).T.tobytes()


def _joined(planes: bytes) -> Ints:
    codes = np.frombuffer(planes, dtype=np.uint8).reshape(4, -1).T.copy().view("<u4")[:, 0].astype(np.int64)
    return np.asarray((codes >> 1) ^ -(codes & 1), dtype=np.int64)
