"""`surface.texture`: how closely a scan's points lie, how much they scatter, and which stick out."""

from __future__ import annotations

from server.measures.bench import RecordBench
from server.measures.measure import RecordMeasure, Result
from server.measures.reading import READING
from server.measures.vectors import Vector3
from server.metrology.texture import scatter_of, spacing_of, spikes_of
from server.records.roles import MESH_ROLES


class TextureResult(Result):
    """scatter_mm: one standard deviation along the normal; None where the points lie too far apart to tell."""

    spacing_median_mm: float
    spacing_p95_mm: float
    scatter_mm: float | None
    scatter_u95_mm: float | None
    roughest_mm: float | None
    roughest_at_mm: Vector3 | None
    n_spikes: int
    tallest_spike_mm: float
    spikes_at_mm: tuple[Vector3, ...]


def _measure(bench: RecordBench) -> TextureResult:
    spacing = spacing_of(bench.topology)
    scatter = scatter_of(bench.topology)
    spikes = spikes_of(bench.topology)
    return TextureResult(
        spacing_median_mm=spacing.median_mm,
        spacing_p95_mm=spacing.p95_mm,
        scatter_mm=scatter.sigma_mm if scatter else None,
        scatter_u95_mm=scatter.u95_mm if scatter else None,
        roughest_mm=scatter.roughest_mm if scatter else None,
        roughest_at_mm=scatter.roughest_at_mm if scatter else None,
        n_spikes=spikes.count,
        tallest_spike_mm=spikes.tallest_mm,
        spikes_at_mm=spikes.places_mm[:10],
    )


TEXTURE = RecordMeasure(
    name="surface.texture",
    revision=3,
    result=TextureResult,
    roles=MESH_ROLES,
    compute=_measure,
    needs=(READING,),
)
