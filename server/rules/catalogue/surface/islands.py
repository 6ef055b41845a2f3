"""Loose pieces lie beside the scan.

Why: a piece of cheek, tongue or glove beside the jaw misleads every later fit, and may be a second thing in one file.
How: area of the shells, counted through shared vertices, that are smaller than a tenth of the largest and larger than
5 mm²; smaller ones are dust, left out on a copy and said.
Not seen: loose tissue that touches the jaw in a single point.
"""

from __future__ import annotations

from collections.abc import Iterator
from types import MappingProxyType

from server.measures.shell import SHELL
from server.records.roles import Role
from server.rules.evidence import CaseEvidence, RecordEvidence
from server.rules.limit import Limit
from server.rules.rule import VALUE, Observation, Rule, at
from server.rules.wording import count_words


def _observe(record: RecordEvidence, _case: CaseEvidence) -> Iterator[Observation]:
    shell = record.result(SHELL)
    dust = f"; {count_words(shell.n_dust_shells, 'speck')} of dust left out" if shell.n_dust_shells else ""
    if not shell.n_islands:
        yield Observation(f"One piece, nothing loose beside it{dust}.", value=0.0)
        return
    area = f"{shell.island_area_mm2:.0f} mm²"
    lie = (
        f"lies one loose piece of {area}"
        if shell.n_islands == 1
        else f"lie {shell.n_islands} loose pieces of {area} together"
    )
    yield Observation(
        f"Beside the {record.role.words} {lie}{dust}.",
        value=shell.island_area_mm2,
        where=at(record, [island.centre_mm for island in shell.islands[:5]]),
    )


_SOURCE = "Common practice; the numbers are our own proposal."

RULE = Rule(
    id="surface/islands",
    revision=1,
    title="Loose pieces beside the scan",
    remedy="Cut the loose pieces away before exporting, or scan again with cheeks and tongue held away.",
    source="Common practice; the numbers are our own proposal.",
    of_record=_observe,
    roles=frozenset({Role.JAW, Role.TISSUE, Role.OPPOSING, Role.DENTURE}),
    limits=MappingProxyType({VALUE: Limit(5.0, 200.0, "mm²", _SOURCE)}),
)
