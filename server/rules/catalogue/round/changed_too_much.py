"""A rescan differs from the scan it replaces where both should be the same.

Why: a rescan mends one place; where the rest has changed by tenths of a millimetre, tissue has moved or swollen, or one
of the two scans is wrong, and nobody can tell which from either alone.
How: the new surface is laid on the old one by what agrees, wherever each lies. Of what both show, the largest distance
that fills a connected place of 6 mm². What only one of them shows, a hole now closed or a body now caught whole, does
not count, nor do the outermost 4 mm, where cheek and tongue lie. Where bodies stand and where a denture was relined a
change may be meant: there the lab looks, and nothing is returned. A rescan that fits the old scan in no way at all is
looked at.
Not seen: changes smaller than 6 mm²; changes without an edge that bend or stretch the whole evenly by less than the
limit; bites, which are meant to be taken anew.
"""

from __future__ import annotations

from collections.abc import Iterator
from types import MappingProxyType

from server.measures.change import CHANGE, CHANGE_ROLES, Ended, RecordChange
from server.records.roles import Role
from server.rules.evidence import CaseEvidence, Lacking, RecordEvidence
from server.rules.limit import Level, Limit
from server.rules.rule import VALUE, DoesNotApply, Observation, Rule, Seen, at

_MAY_CHANGE = frozenset({Role.JAW, Role.DENTURE})


def _observe(record: RecordEvidence, case: CaseEvidence) -> Iterator[Seen]:
    if record.file not in case.replaced:
        yield DoesNotApply("It replaces no record of the round before.")
        return
    row = next((r for r in case.result(CHANGE).records if r.file == record.file), None)
    if row is None:
        raise Lacking("it was not compared with the record it replaces")
    if row.ended in (Ended.UNREAD, Ended.AMBIGUOUS):
        raise Lacking(row.says, because=row.because)
    if row.ended is Ended.NOTHING_TO_COMPARE:
        yield DoesNotApply(f"{row.says[0].upper()}{row.says[1:]}.")
    elif row.ended is Ended.NOTHING_FITS:
        says = f"The new {record.role.words} does not lie on the one it replaces in any way."
        yield Observation(says, broken=True, level=Level.LOOK, remedy=_FOREIGN)
    else:
        yield _compared(record, row)


def _compared(record: RecordEvidence, row: RecordChange) -> Observation:
    value = row.changed_mm or 0.0
    says = f"Where both show the same, the new {record.role.words} differs from the one it replaces by {value:.2f} mm."
    return Observation(
        says,
        value=value,
        u95=row.u95_mm or 0.0,
        level=Level.LOOK if record.role in _MAY_CHANGE else None,
        where=at(record, [row.at_mm] if row.at_mm is not None else []),
    )


_FOREIGN = (
    "Make sure that the file is of this patient and this jaw; if so, say in the notes what was changed."
)
_SOURCE = "Our own proposal; mucosa gives by 0.1-0.6 mm under load (from memory, unconfirmed)."

RULE = Rule(
    id="round/changed-too-much",
    revision=1,
    title="A rescan differs where it should not",
    remedy="If a body was seated anew or the denture relined, say so in the notes. Otherwise let the tissue settle and "
    "scan the place again.",
    source="Common practice; the numbers are our own proposal.",
    of_record=_observe,
    roles=CHANGE_ROLES,
    limits=MappingProxyType({VALUE: Limit(0.2, 1.0, "mm", _SOURCE)}),
)
