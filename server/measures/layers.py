"""`surface.layers`: the area over which a scan lies double, measured with every facet turned to the scanner. The base that
a model was put on is no scan: a ragged wall may lie in folds."""

from __future__ import annotations

import numpy as np

from server.measures.bench import RecordBench
from server.measures.measure import RecordMeasure, Result
from server.measures.reading import READING
from server.measures.vectors import Vector3
from server.metrology.facing import turned_toward_scanner
from server.metrology.layers import double_layer_of
from server.metrology.texture import SPIKE_MM, spike_heights_mm
from server.metrology.topology import topology_of
from server.records.roles import MESH_ROLES


class LayersResult(Result):
    double_area_mm2: float
    double_area_u95_mm2: float
    gap_mm: float
    places_mm: tuple[Vector3, ...]


def _measure(bench: RecordBench) -> LayersResult:
    topology = bench.topology
    if topology.against.any():
        topology = topology_of(turned_toward_scanner(bench.scan, bench.facing))
    is_spike = spike_heights_mm(topology) > SPIKE_MM
    left_out = is_spike[topology.scan.faces].any(axis=1)
    base = bench.base_of(topology)
    double = double_layer_of(
        topology, bench.tree, leave_out=np.asarray(left_out if base is None else left_out | base)
    )
    return LayersResult(
        double_area_mm2=double.area_mm2,
        double_area_u95_mm2=double.u95_mm2,
        gap_mm=double.gap_mm,
        places_mm=double.places_mm,
    )


LAYERS = RecordMeasure(
    name="surface.layers",
    revision=6,
    result=LayersResult,
    roles=MESH_ROLES,
    compute=_measure,
    needs=(READING,),
)
