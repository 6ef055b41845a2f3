"""The jobs: measuring a record as it lands, measuring over several, judging. Each may run twice and change nothing the
second time."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from contextlib import ExitStack

from sqlmodel import col, select

from server.accounts.work import PORTAL, reading, writing
from server.cases.jobs import (
    DRAW_RECORD,
    GUESS_ROLE,
    JUDGE_CASE,
    JUDGE_OPEN,
    MEASURE_AGAIN,
    MEASURE_CASE,
    MEASURE_RECORD,
)
from server.cases.lookup import current_round, entry_of, touch
from server.cases.tables import Case, CaseState, Measuring, Record, Round
from server.inspection.body_meshes import catalogue_of, opened
from server.inspection.child import ChildLimits, ChildPool
from server.inspection.elsewhere import alike_cases
from server.inspection.evidence import (
    Standing,
    all_kept,
    case_keys,
    keep_measurements,
    kept_measurements,
    open_record,
    standing_of,
)
from server.inspection.guessing import give_up_guess, guess_one
from server.inspection.inspect import judge_case as judge
from server.inspection.judgements import is_judged, keep_judgement
from server.inspection.measuring import RecordFile, record_keys
from server.inspection.too_heavy import Run, measured_case, measured_record
from server.inspection.warm import warm_up
from server.kit.jobs import Doing, Job
from server.kit.portal import Portal
from server.kit.settings import Settings
from server.measures.graph import CASE_MEASURES, RECORD_MEASURES
from server.measures.measure import Measurement, Status
from server.uploads.finishing import open_blob
from server.version import SOFTWARE

JUDGED_AT_ONCE = 50
BROKEN = "Measuring broke; it is our fault, not the record's."


def children_of(settings: Settings) -> ChildPool:
    """The measuring children that the settings allow, warm."""
    cpu_s = settings.measuring_s * 1.5
    limits = ChildLimits(settings.measuring_memory_bytes, settings.measuring_s, cpu_s)
    return ChildPool(settings.measuring_processes, limits, warm_up)


def doings(portal: Portal, run: Run) -> Mapping[Job, Doing]:
    """What each kind of job does. `run`: how a measuring function is run, by a pool of children."""
    measuring = Doing(
        lambda record_id: measure_one(portal, run, record_id),
        lambda record_id: give_up_record(portal, record_id),
    )
    return {
        MEASURE_RECORD: measuring,
        MEASURE_AGAIN: measuring,
        GUESS_ROLE: Doing(
            lambda record_id: guess_one(portal, run, record_id),
            lambda record_id: give_up_guess(portal, record_id),
        ),
        MEASURE_CASE: Doing(
            lambda case_id: measure_together(portal, run, case_id),
            lambda case_id: give_up_together(portal, case_id),
        ),
        JUDGE_CASE: Doing(lambda case_id: judge_one(portal, case_id)),
        JUDGE_OPEN: Doing(lambda _: judge_open(portal)),
    }


def measure_one(portal: Portal, run: Run, record_id: str) -> None:
    """Measures a record, keeps what was measured, and asks for a judgement; does nothing where the record is gone."""
    with writing(portal, PORTAL) as work:
        record = work.session.get(Record, record_id)
        if record is None or record.role is None or record.measuring is Measuring.MEASURED:
            return
        record.measuring, record.measuring_since = Measuring.MEASURING, work.now
        touch(work, work.session.get_one(Case, record.case_id), "measuring")
        entry, sha256, bodies = entry_of(record), record.sha256, catalogue_of(work)
        keys = record_keys(entry, sha256, bodies.digest)
        kept = tuple(kept_measurements(work, list(keys.values())).values())
    good = {m.key for m in kept if m.status is not Status.CRASHED}
    made = kept
    if set(keys.values()) - good:
        with open_blob(portal, sha256) as path, opened(portal, bodies) as meshes:
            made = measured_record(run, RecordFile(entry, str(path)), sha256, kept, meshes)
    _keep_record(portal, record_id, lambda now: entry_of(now) == entry, made)


def give_up_record(portal: Portal, record_id: str) -> None:
    """Where measuring broke again and again: says so, instead of letting the clinic wait for ever."""
    with reading(portal, PORTAL) as work:
        record = work.session.get(Record, record_id)
        if record is None or record.role is None:
            return
        keys = record_keys(entry_of(record), record.sha256, catalogue_of(work).digest)
    made = tuple(_crashed(m.name, m.revision, keys[m.name]) for m in RECORD_MEASURES if m.name in keys)
    _keep_record(portal, record_id, lambda now: now.measuring is Measuring.MEASURING, made)


def _keep_record(
    portal: Portal, record_id: str, holds: Callable[[Record], bool], made: tuple[Measurement, ...]
) -> None:
    with writing(portal, PORTAL) as work:
        record = work.session.get(Record, record_id)
        if record is None or record.role is None:
            return
        keep_measurements(work, made, record.sha256)
        if holds(record):
            record.measuring = Measuring.MEASURED
        for case_id in (record.case_id, *alike_cases(work, record)):
            portal.jobs.enqueue(work.session, JUDGE_CASE, case_id)
        portal.jobs.enqueue(work.session, DRAW_RECORD, record_id)
        touch(work, work.session.get_one(Case, record.case_id), "measured")


def measure_together(portal: Portal, run: Run, case_id: str) -> None:
    """Makes and keeps the measures over several records of the round under way, then asks for a judgement."""
    with reading(portal, PORTAL) as work:
        case = work.session.get(Case, case_id)
        standing = standing_of(work, case) if case is not None else None
        if standing is None or not standing.lacking:
            return
        kept = all_kept(work, standing)
    with ExitStack() as stack:

        def file_of(record: Record) -> tuple[RecordFile, str]:
            return stack.enter_context(open_record(portal, record)), record.sha256

        records = {r.file_name: file_of(r) for r in standing.records}
        replaced = {file: file_of(r) for file, r in standing.replaced.items()}
        meshes = stack.enter_context(opened(portal, standing.bodies))
        made = measured_case(run, standing.evidence.form, records, kept, replaced, meshes)
    _keep_together(portal, case_id, made)


def give_up_together(portal: Portal, case_id: str) -> None:
    """The same for measures over several records."""
    with reading(portal, PORTAL) as work:
        case = work.session.get(Case, case_id)
        if case is None:
            return
        standing = standing_of(work, case)
        form, digest = standing.evidence.form, standing.bodies.digest
        keys = case_keys(form, list(standing.records), standing.replaced, digest)
    crashed = (_crashed(m.name, m.revision, keys[m.name]) for m in CASE_MEASURES if m.name in keys)
    _keep_together(portal, case_id, tuple(crashed))


def _keep_together(portal: Portal, case_id: str, made: tuple[Measurement, ...]) -> None:
    with writing(portal, PORTAL) as work:
        if work.session.get(Case, case_id) is None:
            return
        keep_measurements(work, made, case_id)
        portal.jobs.enqueue(work.session, JUDGE_CASE, case_id)


def _crashed(name: str, revision: int, key: str) -> Measurement:
    return Measurement(
        key=key, measure=name, revision=revision, status=Status.CRASHED, says=BROKEN, software=SOFTWARE
    )


def judge_one(portal: Portal, case_id: str, *, anew: bool = False) -> None:
    """Judges the round at hand and keeps the report, once for what it rests on; `anew`: also when nothing has changed
    but the time. A submitted round is judged when all of its records are measured, one under way as they come in."""
    with reading(portal, PORTAL) as work:
        case = work.session.get(Case, case_id)
        if case is None or case.state.is_over:
            return
        standing, round_ = standing_of(work, case), current_round(work, case)
        anew = anew or (case.verdict is None and round_.submitted_at is not None)
        if not _is_due(standing, round_) or (is_judged(work, round_, standing.fingerprint) and not anew):
            return
    if standing.outdated:
        _measure_again(portal, standing.outdated)
        return
    if standing.is_measured and standing.lacking:
        with writing(portal, PORTAL) as work:
            portal.jobs.enqueue(work.session, MEASURE_CASE, case_id)
        return
    report = judge(standing.evidence)
    with writing(portal, PORTAL) as work:
        case = work.session.get(Case, case_id, with_for_update=True)
        if case is None or case.state.is_over:
            return
        round_ = current_round(work, case)
        if standing_of(work, case).fingerprint != standing.fingerprint:
            portal.jobs.enqueue(work.session, JUDGE_CASE, case_id)
            return
        if is_judged(work, round_, standing.fingerprint) and not anew:
            return
        keep_judgement(work, case, round_, report, standing.fingerprint)
        touch(work, case, "judged")


def _is_due(standing: Standing, round_: Round) -> bool:
    if not standing.evidence.form.records:
        return False
    return standing.is_measured or round_.submitted_at is None


def _measure_again(portal: Portal, records: tuple[Record, ...]) -> None:
    """Has records measured as things stand now; a judgement follows each."""
    with writing(portal, PORTAL) as work:
        for seen in records:
            record = work.session.get(Record, seen.id, with_for_update=True)
            if record is None or record.measuring is not Measuring.MEASURED:
                continue
            record.measuring, record.measuring_since = Measuring.WAITING, work.now
            portal.jobs.enqueue(work.session, MEASURE_AGAIN, record.id)
            touch(work, work.session.get_one(Case, record.case_id), "measuring")


def judge_open(portal: Portal) -> None:
    """Asks for a judgement of every case that is not over, a few in a transaction, so that others can write between."""
    is_open = col(Case.state).not_in([state for state in CaseState if state.is_over])
    with reading(portal, PORTAL) as work:
        case_ids = list(work.session.exec(select(Case.id).where(is_open).order_by(col(Case.queue_at))))
    for start in range(0, len(case_ids), JUDGED_AT_ONCE):
        with writing(portal, PORTAL) as work:
            for case_id in case_ids[start : start + JUDGED_AT_ONCE]:
                portal.jobs.enqueue(work.session, JUDGE_CASE, case_id)
