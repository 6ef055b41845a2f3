"""The denture shows not as many imprints of scan bodies as there were bodies.

Why: an imprint too few means a body that was not in place when the denture was relined, or a place that the resin or the
scanner did not reach; one too many, a body of another mouth.
How: bodies found in the positive of the denture's impression side by the same search as in the jaw scan, against the loaded
sites; which site lacks one is told by laying the imprints on the jaw's scan bodies or the positions, or along the arch.
A denture without any imprint was relined without bodies, and nothing is counted.
Not seen: whether an imprint is deep enough to be seated again.
"""

from __future__ import annotations

from collections.abc import Iterator

from server.measures.imprint_sites import IMPRINT_SITES
from server.measures.imprints import IMPRINTS
from server.records.roles import Role
from server.rules.evidence import CaseEvidence, RecordEvidence
from server.rules.limit import Level
from server.rules.rule import DoesNotApply, Observation, Rule, Seen
from server.rules.wording import count_words, site_words


def _observe(record: RecordEvidence, case: CaseEvidence) -> Iterator[Seen]:
    n = len(record.result(IMPRINTS).bodies)
    loaded = [k for k, site in enumerate(case.form.sites) if site.loaded]
    if n == 0:
        yield DoesNotApply("the denture shows no imprint of a scan body: it was relined without them")
        return
    if n == len(loaded):
        yield Observation(f"There is an imprint for each of the {count_words(n, 'site')}.", broken=False)
        return
    says = f"The denture shows {count_words(n, 'imprint')} of scan bodies, the form has {count_words(len(loaded), 'site')}."
    told = case.result_or_none(IMPRINT_SITES)
    empty = told.empty_sites if told is not None and told.denture == record.file and told.is_clear else ()
    for index in empty:
        where = site_words(index, case.form.sites[index])
        yield Observation(f"{says} There is none at {where}.", broken=True, site_index=(index,))
    if not empty:
        yield Observation(says, broken=True)


RULE = Rule(
    id="denture/imprint-count",
    revision=1,
    title="Imprints of scan bodies are missing or too many",
    remedy="See that every body is seated, then reline again over all of them; or note that the denture does not carry the "
    "place of that implant.",
    source="Common practice.",
    of_record=_observe,
    roles=frozenset({Role.DENTURE}),
    level=Level.LOOK,
)
