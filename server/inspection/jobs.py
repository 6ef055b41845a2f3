"""The jobs: measuring a record as it lands, and judging its case. Each may run twice and change nothing the second time."""

from __future__ import annotations

from collections.abc import Mapping

from server.accounts.work import PORTAL, reading, writing
from server.cases.jobs import JUDGE_CASE, MEASURE_CASE, MEASURE_RECORD
from server.cases.lookup import current_round, touch
from server.cases.tables import Case, Measuring, Record
from server.inspection.child import ChildLimits, ChildLost, ChildPool
from server.inspection.evidence import case_evidence, entry_of, keep_measurements, kept_measurements
from server.inspection.inspect import judge_case as judge
from server.inspection.judgements import keep_judgement
from server.inspection.measuring import RecordFile, measure_record, record_keys
from server.inspection.warm import warm_up
from server.kit.jobs import Handler, Job
from server.kit.portal import Portal
from server.kit.settings import Settings
from server.measures.graph import RECORD_MEASURES
from server.measures.measure import Measurement, Status
from server.uploads.finishing import blob_key
from server.version import SOFTWARE

TOO_HEAVY = "file/too-heavy"


def children_of(settings: Settings) -> ChildPool:
    """The measuring children that the settings allow, warm."""
    cpu_s = settings.measuring_s * 1.5
    limits = ChildLimits(settings.measuring_memory_bytes, settings.measuring_s, cpu_s)
    return ChildPool(settings.measuring_processes, limits, warm_up)


def handlers(portal: Portal, children: ChildPool) -> Mapping[Job, Handler]:
    """What each kind of job does."""
    return {
        MEASURE_RECORD: lambda record_id: measure_one(portal, children, record_id),
        MEASURE_CASE: lambda case_id: judge_one(portal, case_id),
        JUDGE_CASE: lambda case_id: judge_one(portal, case_id),
    }


def measure_one(portal: Portal, children: ChildPool, record_id: str) -> None:
    """Measures a record, keeps what was measured, and asks for a judgement; does nothing where the record is gone."""
    with writing(portal, PORTAL) as work:
        record = work.session.get(Record, record_id)
        if record is None or record.role is None or record.measuring is Measuring.MEASURED:
            return
        record.measuring, record.measuring_since = Measuring.MEASURING, work.now
        touch(work, work.session.get_one(Case, record.case_id), "measuring")
        entry, sha256 = entry_of(record), record.sha256
        keys = record_keys(entry, sha256)
        kept = kept_measurements(work, list(keys.values()))
    made = tuple(kept.values())
    if set(keys.values()) - set(kept):
        with portal.store.local_path(blob_key(sha256)) as path:
            file = RecordFile(entry, str(path))
            made = _measured(children, file, tuple(kept.values()), keys)
    with writing(portal, PORTAL) as work:
        record = work.session.get(Record, record_id)
        if record is None:
            return
        keep_measurements(work, made)
        if entry_of(record) == entry:
            record.measuring = Measuring.MEASURED
        portal.jobs.enqueue(work.session, JUDGE_CASE, record.case_id)
        touch(work, work.session.get_one(Case, record.case_id), "measured")


def _measured(
    children: ChildPool, file: RecordFile, kept: tuple[Measurement, ...], keys: Mapping[str, str]
) -> tuple[Measurement, ...]:
    try:
        return children.run(measure_record, file, kept)
    except ChildLost as failure:
        revisions = {measure.name: measure.revision for measure in RECORD_MEASURES}
        return tuple(
            Measurement(
                key=key,
                measure=name,
                revision=revisions[name],
                status=Status.NOT_MEASURED,
                because=TOO_HEAVY,
                says=failure.says,
                software=SOFTWARE,
            )
            for name, key in keys.items()
        )


def judge_one(portal: Portal, case_id: str) -> None:
    """Judges the round at hand and keeps the report; does nothing where the case is gone or has no record."""
    with reading(portal, PORTAL) as work:
        case = work.session.get(Case, case_id)
        if case is None or case.state.is_over:
            return
        seen_at = case.updated_at
        evidence = case_evidence(work, case)
        number = case.round_number
    if not evidence.form.records:
        return
    report = judge(evidence)
    with writing(portal, PORTAL) as work:
        case = work.session.get(Case, case_id)
        if case is None or case.round_number != number:
            return
        keep_judgement(work, case, current_round(work, case), report)
        if case.updated_at != seen_at:
            portal.jobs.enqueue(work.session, JUDGE_CASE, case_id)
        touch(work, case, "judged")
