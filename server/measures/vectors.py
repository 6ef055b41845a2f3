"""A place or direction as results keep it."""

from __future__ import annotations

from collections.abc import Iterable

Vector3 = tuple[float, float, float]


def vector(v: Iterable[float]) -> Vector3:
    """Three numbers of any kind as plain ones."""
    x, y, z = v
    return float(x), float(y), float(z)
