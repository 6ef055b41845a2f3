"""A case of the portal as the rules see it: form, records, and the measurements kept of them."""

from __future__ import annotations

from sqlmodel import col, select

from server.accounts.work import Work
from server.cases.lookup import form_with_records, records_of
from server.cases.tables import Case, Measuring, Record
from server.inspection.measuring import record_keys
from server.inspection.tables import KeptMeasurement
from server.measures.measure import Measurement
from server.records.case_form import CaseForm, RecordEntry
from server.rules.evidence import CaseEvidence, RecordEvidence


def entry_of(record: Record) -> RecordEntry:
    """What is said of a record. Raises ValueError where its role is not known."""
    if record.role is None:
        raise ValueError("the record has no role yet")
    return RecordEntry(role=record.role, file=record.file_name, unit=record.unit, body=record.body)


def kept_measurements(work: Work, keys: list[str]) -> dict[str, Measurement]:
    """Those measurements that are kept, by key."""
    if not keys:
        return {}
    rows = work.session.exec(select(KeptMeasurement).where(col(KeptMeasurement.key).in_(keys)))
    return {row.key: Measurement.model_validate(row.made) for row in rows}


def keep_measurements(work: Work, made: tuple[Measurement, ...]) -> None:
    """Writes down those that are not kept yet."""
    known = kept_measurements(work, [m.key for m in made])
    for measurement in made:
        if measurement.key not in known:
            row = KeptMeasurement(
                key=measurement.key,
                measure=measurement.measure,
                made=measurement.model_dump(mode="json"),
                at=work.now,
            )
            work.session.add(row)


def record_evidence(work: Work, record: Record) -> RecordEvidence:
    """One record with what is kept of it."""
    entry = entry_of(record)
    keys = record_keys(entry, record.sha256)
    kept = kept_measurements(work, list(keys.values()))
    return RecordEvidence(entry, record.sha256, {n: kept[k] for n, k in keys.items() if k in kept})


def case_evidence(work: Work, case: Case) -> CaseEvidence:
    """The round at hand. Records still being measured are in the form, but nothing is said about them yet."""
    records = records_of(work, case.id, case.round_number)
    measured = [r for r in records if r.role is not None and r.measuring is Measuring.MEASURED]
    form = form_with_records(CaseForm.model_validate(case.form), records)
    return CaseEvidence(
        form=form,
        records=tuple(record_evidence(work, record) for record in measured),
        now=work.now,
        replaced=_replaced(work, measured),
    )


def _replaced(work: Work, records: list[Record]) -> dict[str, RecordEvidence]:
    earlier = {}
    for record in records:
        before = work.session.get(Record, record.replaces) if record.replaces else None
        if before is not None and before.role is not None and before.first_round < record.first_round:
            earlier[record.file_name] = record_evidence(work, before)
    return earlier
