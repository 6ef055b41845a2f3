"""Two sites carry the same tooth code.

Why: findings, positions and parts are told apart by site; with one code twice, the lab may put the right
part on the wrong implant.
How: codes are compared as teeth where they can be read in the declared numbering, else as they are written.
One finding for each code that is there more than once.
Not seen: two codes swapped.
"""

from __future__ import annotations

from collections.abc import Iterator

from server.records.teeth import Numbering, UnknownTooth, tooth_of
from server.rules.evidence import CaseEvidence
from server.rules.limit import Level
from server.rules.rule import Observation, Rule


def _observe(case: CaseEvidence) -> Iterator[Observation]:
    places: dict[str, list[int]] = {}
    for index, site in enumerate(case.form.sites):
        if site.tooth:
            places.setdefault(_name(site.tooth, case.form.numbering), []).append(index)
    shared = {code: indices for code, indices in places.items() if len(indices) > 1}
    if not shared:
        yield Observation("Every site has a tooth code of its own.", broken=False)
    for code, indices in shared.items():
        says = f"{len(indices)} sites are all called {code}."
        yield Observation(says, broken=True, site_index=tuple(indices))


def _name(code: str, numbering: Numbering | None) -> str:
    try:
        return tooth_of(code, numbering).code(numbering) if numbering else code.strip()
    except UnknownTooth:
        return code.strip().casefold()


RULE = Rule(
    id="form/duplicate-site",
    revision=1,
    title="Two sites carry the same tooth code",
    remedy="Give each implant the code of the tooth nearest to it, every code once.",
    source="Common practice: one code, one implant.",
    of_case=_observe,
    level=Level.RETURN,
)
