"""Repeated readings of the skin marks do not agree.

Why: a height that cannot be read twice alike cannot be given back to the patient.
How: largest less smallest of the repeats; a single repeat is compared with the seated reading itself.
Not seen: readings that agree because all were taken with the same mistake.
"""

from __future__ import annotations

from collections.abc import Iterator
from types import MappingProxyType

from server.records.case_form import Vertical
from server.records.vertical_marks import spread_mm
from server.rules.evidence import CaseEvidence, Lacking
from server.rules.limit import Limit
from server.rules.rule import VALUE, Observation, Rule


def _observe(case: CaseEvidence) -> Iterator[Observation]:
    spread = spread_mm(case.form.vertical or Vertical())
    if spread is None:
        raise Lacking("the reading of the skin marks was not repeated")
    yield Observation(f"Repeated readings of the skin marks differ by {spread:.1f} mm.", value=spread)


_SOURCE = "Common practice: readings that differ by more than 1 mm want a third; twice that is no reading."

RULE = Rule(
    id="vertical/unrepeatable",
    revision=1,
    title="The bite height cannot be read twice alike",
    remedy="Renew the marks, let the patient relax, and read the seated height three times.",
    source="Common practice: repeatability on skin is 0.5-1 mm either way.",
    of_case=_observe,
    limits=MappingProxyType({VALUE: Limit(1.0, 2.0, "mm", _SOURCE)}),
)
