"""How the rules answer that stand for a refused file: each for its own causes, the others say whose it is."""

from __future__ import annotations

from collections.abc import Iterator

from server.measures.reading import READING, Refusal
from server.records.roles import Role
from server.rules.evidence import CaseEvidence, Lacking, RecordEvidence
from server.rules.limit import Level
from server.rules.rule import Observation, RecordObserver


def refused_by(rule_id: str) -> RecordObserver:
    """The observer of the rule that reports refusals filed under its own id.

    A file refused for another cause could not be looked at further, so this rule was not measured: because of
    that one. A photo explains and nothing is designed from it: the lab looks.
    """

    def observe(record: RecordEvidence, _case: CaseEvidence) -> Iterator[Observation]:
        refusal = _refusal(record, rule_id)
        if refusal is None:
            yield Observation("No such fault.", broken=False)
        elif refusal.rule == rule_id:
            level = Level.LOOK if record.role is Role.PHOTO else None
            yield Observation(refusal.says, broken=True, remedy=refusal.remedy or None, level=level)
        else:
            raise Lacking("the file was refused for another cause", because=refusal.rule)

    return observe


def _refusal(record: RecordEvidence, rule_id: str) -> Refusal | None:
    """The reader's refusal; or one made up from a measure that was given up because of this rule."""
    given_up = [m for m in record.measurements.values() if m.because == rule_id]
    try:
        refusal = record.result(READING).refusal
    except Lacking as lacking:
        if lacking.because != rule_id:
            raise
        refusal = None
    if refusal is None and given_up:
        says = given_up[0].says
        return Refusal(rule=rule_id, reason="given-up", says=f"{says[:1].upper()}{says[1:]}.", remedy="")
    return refusal
