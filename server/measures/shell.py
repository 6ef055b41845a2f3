"""`surface.shell`: how a scan hangs together: shells, borders, openings, islands, broken edges and facets."""

from __future__ import annotations

import numpy as np
from pydantic import BaseModel, ConfigDict

from server.measures.bench import RecordBench
from server.measures.measure import RecordMeasure, Result
from server.measures.reading import READING
from server.measures.vectors import Vector3, vector
from server.metrology.borders import BorderLoop, border_loops
from server.metrology.topology import Topology
from server.records.roles import MESH_ROLES

DUST_MM2 = 5.0
"""Loose shells smaller than this are dust: left out on a copy and noted."""
NAMED = 20


class Opening(BaseModel):
    """An opening other than the outer border. diameter_mm: of the circle with the area it takes to close it;
    edge_mm: mean length of its border's edges, by which the diameter is uncertain."""

    model_config = ConfigDict(frozen=True)

    diameter_mm: float
    length_mm: float
    edge_mm: float
    centre_mm: Vector3


class Island(BaseModel):
    model_config = ConfigDict(frozen=True)

    area_mm2: float
    centre_mm: Vector3


class ShellResult(Result):
    """Points in the record's file frame, mm. openings and islands: the largest 20. crowded: more than two facets
    at an edge. degenerate_facets: without area, or with two equal corners as stored. island_area_mm2: of loose
    shells beyond dust; dust_area_mm2: of the others."""

    n_facets: int
    n_vertices: int
    area_mm2: float
    volume_mm3: float
    is_closed: bool
    euler_characteristic: int
    n_shells: int
    n_border_loops: int
    outer_border_mm: float
    openings: tuple[Opening, ...]
    n_openings: int
    islands: tuple[Island, ...]
    n_islands: int
    island_area_mm2: float
    n_dust_shells: int
    dust_area_mm2: float
    n_crowded_edges: int
    crowded_at_mm: Vector3 | None
    n_repeated_facets: int
    n_degenerate_facets: int
    degenerate_at_mm: Vector3 | None


def _measure(bench: RecordBench) -> ShellResult:
    topology = bench.topology
    loops = border_loops(topology)
    # A border of a loose piece is that piece's own matter.
    main = topology.shell_areas_mm2 >= max(DUST_MM2, 0.02 * topology.area_mm2)
    openings = sorted(
        (loop for loop in loops if not loop.is_outer and main[loop.shell]), key=lambda o: -o.diameter_mm
    )
    outer = max((loop.length_mm for loop in loops if loop.is_outer), default=0.0)
    loose = _loose(topology)
    areas = topology.shell_areas_mm2
    islands = [i for i in loose if areas[i] >= DUST_MM2]
    dust = [i for i in loose if areas[i] < DUST_MM2]
    return ShellResult(
        n_facets=topology.scan.n_faces,
        n_vertices=topology.scan.n_vertices,
        area_mm2=topology.area_mm2,
        volume_mm3=float(topology.shell_volumes_mm3.sum()),
        is_closed=not loops and topology.n_crowded_edges == 0,
        euler_characteristic=topology.euler_characteristic,
        n_shells=len(areas),
        n_border_loops=len(loops),
        outer_border_mm=outer,
        openings=tuple(_opening(loop) for loop in openings[:NAMED]),
        n_openings=len(openings),
        islands=tuple(
            Island(area_mm2=float(areas[i]), centre_mm=_centre(topology, i)) for i in islands[:NAMED]
        ),
        n_islands=len(islands),
        island_area_mm2=float(areas[islands].sum()),
        n_dust_shells=len(dust),
        dust_area_mm2=float(areas[dust].sum()),
        n_crowded_edges=topology.n_crowded_edges,
        crowded_at_mm=_first(topology, np.flatnonzero(topology.twin == -2) // 3),
        n_repeated_facets=int(topology.is_repeated.sum()),
        n_degenerate_facets=int(topology.is_sliver.sum()) + bench.reading.n_collapsed_facets,
        degenerate_at_mm=_first(topology, np.flatnonzero(topology.is_sliver)),
    )


def _loose(topology: Topology) -> list[int]:
    """Shells that are not a main part of the scan. A shell of a tenth of the largest is a part (the other jaw of a
    bite, a half arch), not an island."""
    areas = topology.shell_areas_mm2
    return [i for i in range(1, len(areas)) if areas[i] < 0.1 * areas[0]]


def _opening(loop: BorderLoop) -> Opening:
    return Opening(
        diameter_mm=loop.diameter_mm,
        length_mm=loop.length_mm,
        edge_mm=loop.length_mm / loop.n_edges,
        centre_mm=loop.centre_mm,
    )


def _centre(topology: Topology, shell: int) -> Vector3:
    points = topology.scan.vertices[topology.scan.faces[topology.face_shell == shell]].reshape(-1, 3)
    return vector(points.mean(axis=0))


def _first(topology: Topology, facets: np.ndarray[tuple[int], np.dtype[np.int64]]) -> Vector3 | None:
    if len(facets) == 0:
        return None
    return vector(topology.scan.vertices[topology.scan.faces[facets[0]]].mean(axis=0))


SHELL = RecordMeasure(
    name="surface.shell",
    revision=2,
    result=ShellResult,
    roles=MESH_ROLES,
    compute=_measure,
    needs=(READING,),
)
