"""The distance between the skin marks is not written down, before, with the denture seated, or both.

Why: once the old teeth are out, these two readings are all that is left of the bite height.
How: whether the form gives the reference reading and the seated reading.
Not seen: marks that moved, or a reading taken with strained lips.
"""

from __future__ import annotations

from collections.abc import Iterator

from server.records.case_form import Vertical
from server.rules.evidence import CaseEvidence
from server.rules.rule import Observation, Rule
from server.rules.wording import listed


def _observe(case: CaseEvidence) -> Iterator[Observation]:
    marks = case.form.vertical or Vertical()
    readings = (
        (marks.reference_mm, "before the teeth came out"),
        (marks.seated_mm, "with the denture seated"),
    )
    lacking = [words for reading, words in readings if reading is None]
    if lacking:
        yield Observation(
            f"The distance between the skin marks is not given: {listed(lacking)}.", broken=True
        )
    else:
        yield Observation("Both readings of the skin marks are given.", broken=False)


RULE = Rule(
    id="vertical/missing",
    revision=1,
    title="The bite height was not recorded",
    remedy="Read the distance between nose and chin mark with the denture seated and the teeth just "
    "touching, three times; if the first reading is lost, say so in the notes.",
    source="Common practice; a caliper on marks beats a gauge: Geerts 2004, J Prosthet Dent 91:59-66.",
    of_case=_observe,
)
