"""More than two facets meet at an edge.

Why: such an edge bounds no surface; offsets, thicknesses and sections go wrong there. A few are usual in scans.
How: edges shared by more than two facets after the exact weld, per 100 000 facets.
Not seen: facets that pass through each other without sharing an edge.
"""

from __future__ import annotations

from collections.abc import Iterator
from types import MappingProxyType

from server.measures.shell import SHELL
from server.records.roles import MESH_ROLES
from server.rules.evidence import CaseEvidence, RecordEvidence
from server.rules.limit import Limit
from server.rules.rule import VALUE, Observation, Rule, at


def _observe(record: RecordEvidence, _case: CaseEvidence) -> Iterator[Observation]:
    shell = record.result(SHELL)
    share = 100_000.0 * shell.n_crowded_edges / shell.n_facets
    places = [shell.crowded_at_mm] if shell.crowded_at_mm else []
    yield Observation(
        f"At {shell.n_crowded_edges} edges of the {record.role.words} more than two facets meet.",
        value=share,
        where=at(record, places),
    )


_SOURCE = "Common practice; the numbers are our own proposal."

RULE = Rule(
    id="surface/non-manifold",
    revision=1,
    title="Edges at which too many facets meet",
    remedy="Export the scan again without joining or repairing it in another program.",
    source="Common practice; the numbers are our own proposal.",
    of_record=_observe,
    roles=MESH_ROLES,
    limits=MappingProxyType({VALUE: Limit(50.0, 5000.0, "per 100 000 facets", _SOURCE)}),
)
