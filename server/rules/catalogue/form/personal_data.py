"""A field that other people read holds what looks like personal data of the patient.

Why: a case is known by a code, never by a name; what stands in the code or the notes travels with the case
to every page, mail and package.
How: the patient code, the paired case, the notes and the other free texts are searched for mail addresses,
telephone numbers, dates like dates of birth, long chart numbers and labelled names (classes of 45 CFR
164.514(b)(2)); the code also for the shape of a name. The telephone number to call back and the prescriber
belong to the order and are not looked at. One finding for each field; the data itself is never repeated.
Not seen: a name without a label inside a sentence; initials; a code that is a name to those who know.
"""

from __future__ import annotations

from collections.abc import Iterator

from server.records.personal import TextPlace, kinds_words, personal_kinds
from server.rules.evidence import CaseEvidence
from server.rules.limit import Level
from server.rules.rule import Observation, Rule

_CODES = {"patient_code": "the patient code", "paired_case": "the code of the paired case"}
_TEXTS = {
    "notes": "the notes",
    "allergies": "the allergies",
    "shade": "the shade",
    "physical_items": "the physical items",
    "planned_teeth": "the planned teeth",
}


def _observe(case: CaseEvidence) -> Iterator[Observation]:
    found = [*((words, personal_kinds(_field(case, name), TextPlace.CODE)) for name, words in _CODES.items())]
    found += [
        (words, personal_kinds(_field(case, name), TextPlace.FREE_TEXT)) for name, words in _TEXTS.items()
    ]
    if not any(kinds for _, kinds in found):
        yield Observation("No personal data was recognised in the form's codes and texts.", broken=False)
    for words, kinds in found:
        if kinds:
            sentence = (
                f"{words} {'hold' if words.endswith('s') else 'holds'} what looks like {kinds_words(kinds)}."
            )
            yield Observation(sentence[0].upper() + sentence[1:], broken=True)


def _field(case: CaseEvidence, name: str) -> str:
    return getattr(case.form, name) or ""


RULE = Rule(
    id="form/personal-data",
    revision=1,
    title="The form holds personal data",
    remedy="Replace it by the patient code that your practice uses; keep the name in your own records.",
    source="Classes of identifiers of 45 CFR 164.514(b)(2); where they hide is common practice.",
    of_case=_observe,
    level=Level.NOTE,
)
