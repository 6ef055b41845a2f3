"""What the rows of a PLY file hold for us, whatever their encoding."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from server.metrology.readers.ply_header import Element, PlyHeader, Property
from server.metrology.readers.reading import ReadingNote, Unreadable
from server.metrology.readers.reasons import Reason
from server.metrology.readers.stl_binary import COUNT_BELIEVED
from server.metrology.readers.weld import Indices
from server.metrology.scan import Points

_COLOURS = (("red", "green", "blue"), ("diffuse_red", "diffuse_green", "diffuse_blue"))


@dataclass(frozen=True, slots=True)
class PlyRows:
    """points: (n, 3) float32 or float64; rgb: (n, 3) uint8 or None; sizes: corners of each face; flat: all corners."""

    points: NDArray[np.float32] | Points
    rgb: NDArray[np.uint8] | None
    sizes: Indices
    flat: Indices
    single_precision: bool
    notes: tuple[ReadingNote, ...]


def wanted(vertex: Element) -> list[Property]:
    """x, y, z and, where a vertex has a colour, its three parts."""
    names = next((c for c in _COLOURS if all(vertex.scalar(name) for name in c)), ())
    return [p for p in map(vertex.scalar, ("x", "y", "z", *names)) if p is not None]


def rgb_of(columns: list[NDArray[Any]]) -> NDArray[np.uint8] | None:
    """(n, 3) uint8 of three columns of one type: bytes as they are, 16 bits halved, floats up to 1 as shares."""
    if len(columns) < 3:
        return None
    parts = np.column_stack(columns)
    if parts.dtype == np.uint8:
        return parts
    if parts.dtype == np.uint16:
        return (parts >> 8).astype(np.uint8)
    shares = np.nan_to_num(parts.astype(np.float64), nan=0.0, posinf=0.0, neginf=0.0)
    if parts.dtype.kind == "f" and shares.max() <= 1.0:
        shares = shares * 255.0
    return np.rint(np.clip(shares, 0.0, 255.0)).astype(np.uint8)


def cut_short(element: Element, n_bytes_left: int) -> Unreadable:
    """The refusal where the rows of an element cannot all be in what is left of the file."""
    says = f"The header states {element.count} {element.name[:40]} rows; only {n_bytes_left} bytes are left for them."
    return (Reason.COUNT_IMPOSSIBLE if element.count > COUNT_BELIEVED else Reason.CUT_SHORT).refusal(says)


def colour_notes(header: PlyHeader) -> tuple[ReadingNote, ...]:
    if header.element("face").scalar("red") is None:
        return ()
    return (ReadingNote("facet-colours", "Colours of facets were not kept; only those of points are."),)
