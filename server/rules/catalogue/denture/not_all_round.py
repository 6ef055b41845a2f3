"""The denture was not scanned all round.

Why: what was not caught of it is filled in by guessing, and with a gap in its border the impression side cannot be told
from the outer side with certainty.
How: every opening of its main parts, an outer border too, since a denture scanned all round has none; the diameter of the
circle with the area it takes to close the largest.
Not seen: a place bridged over by the scanner's own filling.
"""

from __future__ import annotations

from collections.abc import Iterator
from types import MappingProxyType

from server.measures.sides import SIDES
from server.records.roles import Role
from server.rules.evidence import CaseEvidence, RecordEvidence
from server.rules.limit import Limit
from server.rules.rule import VALUE, Observation, Rule, at


def _observe(record: RecordEvidence, _case: CaseEvidence) -> Iterator[Observation]:
    sides = record.result(SIDES)
    if not sides.openings_mm:
        yield Observation("The denture was scanned all round.", value=0.0)
        return
    more = f"; {sides.n_openings} openings in all" if sides.n_openings > 1 else ""
    yield Observation(
        f"The denture is open over {sides.openings_mm[0]:.1f} mm{more}.",
        value=sides.openings_mm[0],
        u95=sides.openings_edge_mm[0],
        where=at(record, sides.openings_at_mm),
    )


_SOURCE = "Common practice; the numbers are our own proposal."

RULE = Rule(
    id="denture/not-all-round",
    revision=1,
    title="The denture was not scanned all round",
    remedy="Scan the denture again and turn it until its border is closed all round, before it goes back into the mouth.",
    source=_SOURCE,
    of_record=_observe,
    roles=frozenset({Role.DENTURE}),
    limits=MappingProxyType({VALUE: Limit(3.0, 8.0, "mm", _SOURCE)}),
)
