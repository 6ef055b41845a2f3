"""Records filed elsewhere that are likely the same surface as one of a case: found by an index, without opening a file.

What a report says of another case is read by everyone who may read the report. So another clinic's case is only ever
“another case”; a clinic's own cases are named by their patient code.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from typing import Any

from sqlalchemy import delete, func
from sqlalchemy.orm import aliased
from sqlmodel import col, select

from server.accounts.work import Work
from server.cases.tables import Case, CaseState, Record
from server.inspection.tables import KeptMeasurement, SurfaceKey
from server.measures.measure import Measurement, Status
from server.measures.sketch import SKETCH, SketchResult
from server.metrology.sameness import FEWEST_SHARED_KEYS, index_keys
from server.records.roles import Role
from server.rules.evidence import KnownSurface, RecordEvidence

MOST_TWINS = 40
"""Likely twins looked at for one case, those with most keys in common first; and records filed elsewhere."""


def keep_surface_keys(work: Work, made: Measurement) -> None:
    """Writes the index keys of a kept sketch, whose row must be flushed; of any other measurement nothing."""
    if made.measure != SKETCH.name or made.status is not Status.MEASURED:
        return
    work.session.execute(delete(SurfaceKey).where(col(SurfaceKey.measurement_key) == made.key))
    keys = index_keys(SketchResult.model_validate(made.result).sketch)
    work.session.add_all(SurfaceKey(key=key, measurement_key=made.key) for key in keys)


def elsewhere_of(work: Work, case: Case, records: Sequence[RecordEvidence]) -> tuple[KnownSurface, ...]:
    """What was filed in earlier rounds of the case and is not in this one, and the likely twins in other cases.

    A withdrawn case of the same patient does not count: it was begun anew. Any other withdrawn case does: its surfaces
    are still another patient's. Of another case only what it now holds counts, so that a file sent there by mistake
    and replaced is no finding here; a case that was deleted holds nothing.
    """
    return (*_earlier_rounds(work, case), *_other_cases(work, case, records))


def alike_cases(work: Work, record: Record) -> list[str]:
    """The ids of other cases in which the record, just measured, has a likely twin: what is said of them may change."""
    assert record.role is not None
    key = SKETCH.key(record.sha256, record.unit, record.role)
    twins = _twins(work, frozenset({key}))
    held = _holding(work, record.case_id, {record.sha256, *(twin.about for twin in twins)})
    return sorted({other.id for _, other in held})


def _earlier_rounds(work: Work, case: Case) -> list[KnownSurface]:
    query = select(Record).where(Record.case_id == case.id, col(Record.last_round) < case.round_number)
    gone = [r for r in work.session.exec(query.order_by(col(Record.added_at), col(Record.id))) if _is_told(r)]
    keys = {r.id: SKETCH.key(r.sha256, r.unit, r.role or Role.PHOTO) for r in gone}
    sketches = _sketches(work, keys.values())
    return [_known(r, f"round {r.last_round}", sketches.get(keys[r.id]), is_earlier_round=True) for r in gone]


def _is_told(record: Record) -> bool:
    was_in_a_round = record.last_round is None or record.last_round >= record.first_round
    return was_in_a_round and record.role not in (None, Role.PHOTO)


def _other_cases(work: Work, case: Case, records: Sequence[RecordEvidence]) -> list[KnownSurface]:
    own = {r.sha256 for r in records if r.role is not Role.PHOTO}
    made = (r.measurements.get(SKETCH.name) for r in records)
    twins = _twins(work, frozenset(m.key for m in made if m is not None))
    sketches = {twin.about: twin.made["result"] for twin in twins}
    return [
        _known(
            record, _label(case, other), sketches.get(record.sha256), is_same_patient=_is_same(case, other)
        )
        for record, other in _holding(work, case.id, own | sketches.keys())
        if not (other.state is CaseState.WITHDRAWN and _is_same(case, other))
    ]


def _twins(work: Work, keys: frozenset[str]) -> list[KeptMeasurement]:
    """Kept sketches that share several index keys with one of these. Reads the index only, then the twins' rows."""
    if not keys:
        return []
    own, other = aliased(SurfaceKey), aliased(SurfaceKey)
    shared = func.count()
    query = (
        select(other.measurement_key)
        .join(own, col(own.key) == col(other.key))
        .where(col(own.measurement_key).in_(keys), col(other.measurement_key).not_in(keys))
        .group_by(col(own.measurement_key), col(other.measurement_key))
        .having(shared >= FEWEST_SHARED_KEYS)
        .order_by(shared.desc(), col(other.measurement_key))
        .limit(MOST_TWINS)
    )
    found = set(work.session.exec(query))
    rows = work.session.exec(select(KeptMeasurement).where(col(KeptMeasurement.key).in_(found)))
    return [row for row in rows if row.made["revision"] == SKETCH.revision]


def _holding(work: Work, case_id: str, sha256s: set[str]) -> list[tuple[Record, Case]]:
    """Records of other cases with these bytes, as those cases now stand; the newest."""
    query = (
        select(Record, Case)
        .join(Case, col(Case.id) == col(Record.case_id))
        .where(col(Record.sha256).in_(sha256s), col(Record.case_id) != case_id)
        .where(col(Record.first_round) <= col(Case.round_number))
        .where(col(Record.last_round).is_(None) | (col(Record.last_round) >= col(Case.round_number)))
        .order_by(col(Record.added_at).desc(), col(Record.id))
        .limit(MOST_TWINS)
    )
    return [(record, other) for record, other in work.session.exec(query) if _is_told(record)]


def _sketches(work: Work, keys: Iterable[str]) -> dict[str, dict[str, Any]]:
    query = select(KeptMeasurement).where(col(KeptMeasurement.key).in_(list(keys)))
    rows = [row for row in work.session.exec(query) if row.made["status"] == Status.MEASURED.value]
    return {row.key: row.made["result"] for row in rows}


def _known(
    record: Record,
    label: str,
    sketch: Mapping[str, Any] | None,
    *,
    is_earlier_round: bool = False,
    is_same_patient: bool = False,
) -> KnownSurface:
    assert record.role is not None
    return KnownSurface(
        label=label,
        role=record.role,
        sha256=record.sha256,
        sketch=sketch,
        is_earlier_round=is_earlier_round,
        is_same_patient=is_same_patient,
    )


def _is_same(case: Case, other: Case) -> bool:
    """Whether the other case is of the same clinic and, by its code or as the other jaw, of the same patient."""
    codes = {case.patient_code, case.form.get("paired_case")} - {"", None}
    theirs = {other.patient_code, other.form.get("paired_case")} - {"", None}
    is_paired = case.patient_code in theirs or other.patient_code in codes
    return case.clinic_id == other.clinic_id and is_paired


def _label(case: Case, other: Case) -> str:
    if case.clinic_id != other.clinic_id:
        return "another case"
    if other.patient_code == case.patient_code:
        return "another case of this patient"
    paired = ", the patient's other jaw" if _is_same(case, other) else ""
    return f"case {other.patient_code or other.id[:8]}{paired}"
