"""Single points stick out of the surface.

Why: spikes come of saliva, reflections and moving tissue; a tool path or a fit that meets one goes wrong.
How: points more than 1 mm off the plane of their second neighbours, where those lie much flatter.
Not seen: outgrowths wider than two rings of facets: those are surface, wanted or not.
"""

from __future__ import annotations

from collections.abc import Iterator
from types import MappingProxyType

from server.measures.texture import TEXTURE
from server.records.roles import MESH_ROLES
from server.rules.evidence import CaseEvidence, RecordEvidence
from server.rules.limit import Limit
from server.rules.rule import VALUE, Observation, Rule, at


def _observe(record: RecordEvidence, _case: CaseEvidence) -> Iterator[Observation]:
    texture = record.result(TEXTURE)
    if not texture.n_spikes:
        yield Observation("No point sticks out by more than 1 mm.", value=0.0)
        return
    yield Observation(
        f"{texture.n_spikes} points stick out by more than 1 mm, the tallest by {texture.tallest_spike_mm:.1f} mm.",
        value=float(texture.n_spikes),
        where=at(record, texture.spikes_at_mm),
    )


_SOURCE = "Common practice; the numbers are our own proposal."

RULE = Rule(
    id="surface/spikes",
    revision=1,
    title="Points stick out of the surface",
    remedy="Scan the place again with the tissue dry, or delete the spikes before exporting.",
    source="Common practice; the numbers are our own proposal.",
    of_record=_observe,
    roles=MESH_ROLES,
    limits=MappingProxyType({VALUE: Limit(5.0, 100.0, "points", _SOURCE)}),
)
