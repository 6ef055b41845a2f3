"""A reader of previews written from their description alone, one facet after the other: what a page does, in Python."""

from __future__ import annotations

import gzip
import struct

import numpy as np
from numpy.typing import NDArray

from server.metrology.scan import Scan


def unpacked(data: bytes) -> tuple[Scan, float]:
    """The surface in a gzipped preview, mm, and the deviation that it states."""
    raw = gzip.decompress(data)
    magic, n_points, n_faces, n_words, n_steps, *lengths = struct.unpack_from("<4s4I5d", raw)
    assert magic == b"APV1"
    at = struct.calcsize("<4s4I5d")
    words = [(raw[at + k // 4] >> (2 * (k % 4))) & 3 for k in range(n_words)]
    at += -(-n_words // 4)
    left = _columns(raw, at, n_points, 3)
    steps = _columns(raw, at + 9 * n_points, n_steps, 1)[0]
    assert len(raw) == at + 9 * n_points + 3 * n_steps
    places, faces = _walked(words, np.where(left % 2 == 0, left // 2, -(left + 1) // 2).T, list(steps))
    assert (len(places), len(faces)) == (n_points, n_faces)
    return Scan(np.array(lengths[:3]) + np.array(places) * lengths[3], np.array(faces, np.int32)), lengths[4]


def _columns(raw: bytes, at: int, n: int, k: int) -> NDArray[np.int64]:
    planes = np.frombuffer(raw, np.uint8, 3 * k * n, at).reshape(3, k, n).astype(np.int64)
    return np.asarray(planes[0] + 256 * planes[1] + 65536 * planes[2])


def _walked(
    words: list[int], left: NDArray[np.int64], steps: list[int]
) -> tuple[list[NDArray[np.int64]], list[list[int]]]:
    places: list[NDArray[np.int64]] = []
    faces: list[list[int]] = []
    stack: list[tuple[int, int]] = []
    left_at = step_at = word_at = 0

    def corner(foretold: NDArray[np.int64]) -> int:
        nonlocal left_at, step_at
        if words[word_at] == 0:
            places.append(foretold + left[left_at])
            left_at += 1
            return len(places) - 1
        step_at += 1
        return len(places) - steps[step_at - 1]

    while word_at < len(words):
        if not stack:
            face = []
            for _ in range(3):
                face.append(corner(places[-1] if places else np.zeros(3, np.int64)))
                word_at += 1
            faces.append(face)
            stack += [(len(faces) - 1, 2), (len(faces) - 1, 1), (len(faces) - 1, 0)]
            continue
        facet, edge = stack.pop()
        if words[word_at] != 2:
            a, b, c = faces[facet][(edge + 1) % 3], faces[facet][edge], faces[facet][(edge + 2) % 3]
            faces.append([a, b, corner(places[a] + places[b] - places[c])])
            stack += [(len(faces) - 1, 2), (len(faces) - 1, 1)]
        word_at += 1
    return places, faces
