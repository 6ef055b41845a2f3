"""`denture.sides`: the impression side of a denture told from its outer side, by its shape alone, and how far it is open."""

from __future__ import annotations

import base64
import zlib

import numpy as np
from numpy.typing import NDArray

from server.measures.bench import RecordBench
from server.measures.facing import FACING
from server.measures.measure import NotMeasured, RecordMeasure, Result
from server.measures.reading import READING
from server.measures.vectors import Vector3, vector
from server.metrology.borders import BorderLoop, border_loops
from server.metrology.impression.positive import Positive, positive_of
from server.metrology.impression.sides import Sides, sides_of
from server.metrology.topology import Topology
from server.records.roles import Role

MAIN_SHARE = 0.02
"""Borders of pieces smaller than this share of the whole are not the denture's."""
NOT_ALL_ROUND = "denture/not-all-round"

Mask = NDArray[np.bool_]


class SidesResult(Result):
    """Places and directions in the record's file frame, mm. opens_along: the way the impression side looks. line_mm: length
    of the line between the sides; crease_ratio: share of it at which the surface turns sharply. is_sure: the line stands
    out and the sides have the sizes of a denture's; where not, `untold` says why. openings_mm: diameters of the largest
    openings, an outer border too, with their middles and the mean length of their edges. impression_b64: which facets are
    of the impression side, bits, packed.
    """

    impression_mm2: float
    outer_mm2: float
    opens_along: Vector3
    line_mm: float
    crease_ratio: float
    is_sure: bool
    untold: str
    openings_mm: tuple[float, ...]
    openings_at_mm: tuple[Vector3, ...]
    openings_edge_mm: tuple[float, ...]
    n_openings: int
    impression_b64: str

    @property
    def is_impression(self) -> Mask:
        """(m,) by facet; empty where the sides could not be told."""
        return unpacked(self.impression_b64)


NAMED = 5


def _measure(bench: RecordBench) -> SidesResult:
    surface = bench.outward
    loops = _openings(bench.topology)
    sides, untold = _divided(bench)
    if sides is not None and not sides.is_sure:
        untold = "no border stands out between an impression side and an outer side"
    mask = sides.is_impression if sides is not None else np.zeros(surface.topology.scan.n_faces, dtype=bool)
    return SidesResult(
        impression_mm2=sides.impression_mm2 if sides else 0.0,
        outer_mm2=sides.outer_mm2 if sides else 0.0,
        opens_along=vector(sides.opens_along) if sides else (0.0, 0.0, 0.0),
        line_mm=sides.line_mm if sides else 0.0,
        crease_ratio=sides.crease_ratio if sides else 0.0,
        is_sure=not untold,
        untold=untold,
        openings_mm=tuple(loop.diameter_mm for loop in loops[:NAMED]),
        openings_at_mm=tuple(loop.centre_mm for loop in loops[:NAMED]),
        openings_edge_mm=tuple(loop.length_mm / loop.n_edges for loop in loops[:NAMED]),
        n_openings=len(loops),
        impression_b64=packed(mask),
    )


def _divided(bench: RecordBench) -> tuple[Sides | None, str]:
    surface = bench.outward
    try:
        return sides_of(surface.topology, surface.tree), ""
    except ValueError:
        return None, "the surface has no two sides"


def _openings(topology: Topology) -> list[BorderLoop]:
    """All borders of the main parts, the largest first: a denture scanned all round has none."""
    main = topology.shell_areas_mm2 >= MAIN_SHARE * topology.area_mm2
    return sorted((loop for loop in border_loops(topology) if main[loop.shell]), key=lambda o: -o.diameter_mm)


def packed(mask: Mask) -> str:
    """A mask (m,) as text."""
    count = len(mask).to_bytes(4, "little")
    return base64.b64encode(zlib.compress(count + np.packbits(mask).tobytes(), 9)).decode()


def unpacked(text: str) -> Mask:
    """The mask (m,) that was made text."""
    bits = np.frombuffer(zlib.decompress(base64.b64decode(text)), dtype=np.uint8)
    return np.unpackbits(bits[4:], count=int.from_bytes(bits[:4].tobytes(), "little")).astype(bool)


def told_sides(bench: RecordBench) -> SidesResult:
    """The sides of a denture. Raises NotMeasured, naming the rule that has the cause, where they could not be told."""
    sides = bench.result(SIDES)
    if sides.untold:
        is_open = bool(sides.openings_mm) and sides.openings_mm[0] > OPEN_MM
        raise NotMeasured(
            f"its impression side could not be told: {sides.untold}",
            because=NOT_ALL_ROUND if is_open else None,
        )
    return sides


OPEN_MM = 8.0
"""A denture open by more than this lacks so much that its sides may not be told."""


def positive_in(bench: RecordBench) -> Positive:
    """The positive of a denture, in its file frame, mm: the part to stand for the jaw where no better one is there. Raises
    NotMeasured where its sides could not be told."""
    return positive_of(bench.outward.topology, told_sides(bench).is_impression)


SIDES = RecordMeasure(
    name="denture.sides",
    revision=1,
    result=SidesResult,
    roles=frozenset({Role.DENTURE}),
    compute=_measure,
    needs=(READING, FACING),
)
