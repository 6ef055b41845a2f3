"""Facets are turned against their neighbours.

Why: where inside and outside change within one surface, signs of distances, offsets and fills go wrong, unseen.
How: share of the area wound against the majority of the surface it hangs together with through edges, or facing away
from the scanner where the rest of its shell faces it.
Not seen: a whole scan that is turned: that is surface/inside-out.
"""

from __future__ import annotations

from collections.abc import Iterator
from types import MappingProxyType

from server.measures.facing import FACING
from server.measures.shell import SHELL
from server.records.roles import MESH_ROLES
from server.rules.evidence import CaseEvidence, RecordEvidence
from server.rules.limit import Limit
from server.rules.rule import VALUE, Observation, Rule, at


def _observe(record: RecordEvidence, _case: CaseEvidence) -> Iterator[Observation]:
    facing = record.result(FACING)
    area = record.result(SHELL).area_mm2
    share = 100.0 * facing.turned_area_mm2 / area if area > 0 else 0.0
    one_sided = f" {facing.n_conflicts} edges fit no winding at all." if facing.n_conflicts else ""
    yield Observation(
        f"{share:.1f} % of the {record.role.words} face against their neighbours.{one_sided}",
        value=share,
        where=at(record, [facing.turned_at_mm] if facing.turned_at_mm else []),
    )


_SOURCE = "Common practice; the numbers are our own proposal."

RULE = Rule(
    id="surface/mixed-facing",
    revision=1,
    title="Parts of the surface are turned",
    remedy="Export the scan again from the scanner, without repairing or joining it in another program.",
    source="Common practice; the numbers are our own proposal.",
    of_record=_observe,
    roles=MESH_ROLES,
    limits=MappingProxyType({VALUE: Limit(0.5, 5.0, "%", _SOURCE)}),
)
