"""The surface has an opening where there should be none.

Why: what was not scanned is filled in by guessing at the design desk, and the bridge is made to the guess.
How: border loops other than the outer border of each main part; the diameter of the circle with the area it takes to
close the largest. The outer border, which every open scan has, is the longest loop that spans a good part of the shell.
Not seen: a place that was bridged over by the scanner's own filling; a notch in the outer border.
"""

from __future__ import annotations

from collections.abc import Iterator
from types import MappingProxyType

from server.measures.shell import SHELL
from server.records.roles import Role
from server.rules.evidence import CaseEvidence, RecordEvidence
from server.rules.limit import Limit
from server.rules.rule import VALUE, Observation, Rule, at


def _observe(record: RecordEvidence, _case: CaseEvidence) -> Iterator[Observation]:
    shell = record.result(SHELL)
    if not shell.openings:
        yield Observation("No opening but the outer border.", value=0.0)
        return
    largest = shell.openings[0]
    more = f"; {shell.n_openings} openings in all" if shell.n_openings > 1 else ""
    yield Observation(
        f"The largest hole in the {record.role.words} is {largest.diameter_mm:.1f} mm across{more}.",
        value=largest.diameter_mm,
        u95=largest.edge_mm,
        where=at(record, [opening.centre_mm for opening in shell.openings[:5]]),
    )


_SOURCE = "Common practice; the numbers are our own proposal."

RULE = Rule(
    id="surface/hole",
    revision=3,
    title="A hole in the surface",
    remedy="Scan the place again and add to the scan, or scan this record again; dry the surface first.",
    source="Common practice; the numbers are our own proposal.",
    of_record=_observe,
    roles=frozenset({Role.JAW, Role.TISSUE, Role.OPPOSING, Role.DENTURE}),
    limits=MappingProxyType({VALUE: Limit(3.0, 8.0, "mm", _SOURCE)}),
)
