"""The body catalogue as measuring needs it: entries with where their meshes lie, made ready once in each process."""

from __future__ import annotations

import hashlib
from dataclasses import dataclass, field
from functools import lru_cache
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from server.errors import BadRequest
from server.metrology.bodies.reference import ReferenceBody, UnusableReference, reference_body
from server.metrology.readers.read import read_scan
from server.metrology.readers.reading import Unreadable
from server.metrology.scan import Scan
from server.records.bodies import BodyEntry

READY = 64
"""Bodies kept ready in one process."""
LEAST_SINE = 0.05
"""Axis and clocking direction within 3° of each other leave the turn open."""
SIZES_MM = (1.0, 60.0)
FAR_RATIO = 3.0
"""A seat farther from the mesh than this many times its size is a slip."""


class BodyUnusable(BadRequest):
    """An entry of the body catalogue with which nothing can be measured; the words say what to mend."""

    code = "body-unusable"


@dataclass(frozen=True, slots=True)
class BodyFile:
    """An entry of the catalogue, where its mesh lies and the SHA-256 of that. Two are equal by content, wherever the
    mesh lies."""

    entry: BodyEntry
    path: str = field(compare=False)
    sha256: str


@dataclass(frozen=True, slots=True)
class BodySet:
    """The catalogue, by id in order. Plain data: it crosses process borders."""

    files: tuple[BodyFile, ...] = ()

    @property
    def digest(self) -> str:
        """Stands for everything that measures with bodies rest on; empty for an empty catalogue."""
        if not self.files:
            return ""
        rows = [
            f"{f.entry.model_dump_json()} {f.sha256}" for f in sorted(self.files, key=lambda f: f.entry.id)
        ]
        return hashlib.sha256("\n".join(rows).encode()).hexdigest()

    @property
    def entries(self) -> dict[str, BodyEntry]:
        return {f.entry.id: f.entry for f in self.files}

    def ready(self) -> tuple[ReferenceBody, ...]:
        """The bodies ready to be searched for. Raises BodyUnusable, naming the first that cannot be used."""
        return tuple(_ready(file) for file in self.files)


@lru_cache(maxsize=READY)
def _ready(file: BodyFile) -> ReferenceBody:
    return ready_body(file.entry, Path(file.path).read_bytes())


def mesh_in_seat_frame(file: BodyFile) -> Scan:
    """The whole mesh of an entry as the lab gave it, in mm, its seat at the origin, its axis along +z and its clocking
    direction along +x. Raises BodyUnusable."""
    return _in_seat_frame(file.entry, _scan_of(file.entry, Path(file.path).read_bytes()))


def ready_body(entry: BodyEntry, mesh: bytes) -> ReferenceBody:
    """One entry with its mesh made ready. Raises BodyUnusable, saying what to mend."""
    scan = _scan_of(entry, mesh)
    try:
        return reference_body(entry.id, _in_seat_frame(entry, scan))
    except UnusableReference as fault:
        raise BodyUnusable(f"{str(fault)[:1].upper()}{str(fault)[1:]}.") from fault


def _scan_of(entry: BodyEntry, mesh: bytes) -> Scan:
    try:
        return read_scan(mesh, entry.mesh).scan
    except Unreadable as refusal:
        raise BodyUnusable(f"The mesh of the body {entry.id} cannot be read: {refusal.says}") from refusal


def _in_seat_frame(entry: BodyEntry, scan: Scan) -> Scan:
    """The mesh in mm with the seat at the origin, the axis along +z and the clocking direction along +x."""
    unit_mm = entry.unit.in_mm
    if unit_mm is None:
        raise BodyUnusable(f"The entry of the body {entry.id} must say its unit.")
    points = scan.vertices * unit_mm
    size = float(np.ptp(points, axis=0).max())
    if not SIZES_MM[0] < size < SIZES_MM[1]:
        raise BodyUnusable(
            f"The mesh of the body {entry.id} is {size:.3g} mm long; check the unit of its entry ({entry.unit.value})."
        )
    seat = np.array(entry.seat_origin) * unit_mm
    if float(np.linalg.norm(points - seat, axis=1).min()) > FAR_RATIO * size:
        raise BodyUnusable(f"The seat of the body {entry.id} lies far from its mesh; check seat_origin.")
    frame = _frame(entry)
    return Scan((points - seat) @ frame, scan.faces)


def _frame(entry: BodyEntry) -> NDArray[np.float64]:
    """(3, 3): columns are clocking direction, the third direction, and axis, in the mesh's frame."""
    z, x = np.array(entry.axis), np.array(entry.clock_direction)
    z, x = z / np.linalg.norm(z), x / np.linalg.norm(x)
    x = x - (x @ z) * z
    if float(np.linalg.norm(x)) < LEAST_SINE:
        raise BodyUnusable(f"Axis and clocking direction of the body {entry.id} point the same way.")
    x /= np.linalg.norm(x)
    return np.column_stack([x, np.cross(z, x), z])
