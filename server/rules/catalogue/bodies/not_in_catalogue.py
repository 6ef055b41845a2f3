"""The form names a scan body that the lab's body catalogue does not hold.

Why: without the body's shape and frame it cannot be found in the scan and no implant can be placed from it.
How: the scan body of each loaded site, and the body that a file of implant positions is said to show,
against the names in the catalogue. Without a catalogue at hand nothing is said.
Not seen: a body of another kind than the form names; that takes the scan (bodies/wrong-kind).
"""

from __future__ import annotations

from collections.abc import Iterator

from server.rules.evidence import CaseEvidence, Lacking
from server.rules.rule import Observation, Rule
from server.rules.wording import site_words


def _observe(case: CaseEvidence) -> Iterator[Observation]:
    if not case.bodies:
        raise Lacking("no body catalogue is at hand")
    unknown = [*_unknown_at_sites(case), *_unknown_in_records(case)]
    yield from unknown or [Observation("Every scan body named is in the catalogue.", broken=False)]


def _unknown_at_sites(case: CaseEvidence) -> Iterator[Observation]:
    for index, site in enumerate(case.form.sites):
        if site.loaded and site.scan_body and site.scan_body not in case.bodies:
            says = (
                f"The scan body “{site.scan_body}” at {site_words(index, site)} is not in the body catalogue."
            )
            yield Observation(says, broken=True, site_index=(index,))


def _unknown_in_records(case: CaseEvidence) -> Iterator[Observation]:
    for entry in case.form.records:
        if entry.body and entry.body not in case.bodies:
            says = f"The body “{entry.body}” of the {entry.role.words} is not in the body catalogue."
            yield Observation(says, broken=True, other_records=(entry.file,))


RULE = Rule(
    id="bodies/not-in-catalogue",
    revision=1,
    title="A scan body is not in the body catalogue",
    remedy="Choose the body from the list; if it is not there, tell the lab before the body comes off, so "
    "that it can be added.",
    source="The lab's body catalogue.",
    of_case=_observe,
)
