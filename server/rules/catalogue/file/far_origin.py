"""A scan lies so far from the origin that its coordinates can no longer be stored finely.

Why: a file of 32-bit numbers holds seven digits; a hundred metres out, neighbouring places are 8 µm apart,
a kilometre out 60 µm, and the surface turns into steps.
How: the distance between neighbouring numbers that the file can store, at its largest coordinate, in mm.
Points far from all others do not count.
Not seen: fineness lost earlier, before the scan was moved back; surface/rough may show it.
"""

from __future__ import annotations

from collections.abc import Iterator
from types import MappingProxyType

from server.measures.extent import EXTENT
from server.records.roles import MESH_ROLES, Role
from server.rules.evidence import CaseEvidence, RecordEvidence
from server.rules.limit import Limit
from server.rules.rule import VALUE, Observation, Rule, at


def _observe(record: RecordEvidence, _case: CaseEvidence) -> Iterator[Observation]:
    extent = record.result(EXTENT)
    says = f"Neighbouring coordinates that the file can store are {extent.step_mm * 1000:.2g} µm apart."
    yield Observation(says, value=extent.step_mm, where=at(record, [extent.centre_mm]))


_SOURCE = "Our own proposal, against the noise of scanners (5-13 µm on a flat, PMC5549906)."

RULE = Rule(
    id="file/far-origin",
    revision=1,
    title="The scan lies far from the origin",
    remedy="Export the scan in its own coordinates, near the origin, without moving it into a larger scene.",
    source="Spacing of 32-bit floating-point numbers, IEEE 754.",
    of_record=_observe,
    roles=MESH_ROLES | {Role.MARKERS},
    limits=MappingProxyType({VALUE: Limit(0.010, 0.050, "mm", _SOURCE)}),
)
