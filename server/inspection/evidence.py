"""A case of the portal as the rules see it: form, records, and the measurements kept of them."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Iterable, Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass
from typing import Any

from sqlmodel import col, select

from server.accounts.work import Work
from server.cases.lookup import entry_of, form_with_records, records_of
from server.cases.tables import Case, Measuring, Record
from server.inspection.body_meshes import catalogue_of
from server.inspection.elsewhere import elsewhere_of, keep_surface_keys
from server.inspection.measuring import RecordFile, record_keys
from server.inspection.tables import KeptMeasurement
from server.kit.portal import Portal
from server.measures.body_set import BodySet
from server.measures.graph import CASE_MEASURES
from server.measures.measure import (
    CaseMeasure,
    CaseRows,
    Measurement,
    Status,
    case_inputs,
    is_asked_for,
    pair_keys,
    resting_on,
)
from server.records.case_form import CaseForm
from server.rules.catalogue import RULES
from server.rules.evidence import CaseEvidence, RecordEvidence
from server.rules.sheet import default_sheet
from server.uploads.finishing import open_blob
from server.version import SOFTWARE


@dataclass(frozen=True)
class Standing:
    """The round under way as it stands now.

    is_measured: whether every record of it is. lacking: whether a measure over several records is still to be made.
    outdated: records that were measured before what that rests on changed: the body catalogue, or a method.
    replaced: by file name, the record of the round before that it replaces. bodies: the catalogue, its meshes in the
    store.
    """

    round_number: int
    evidence: CaseEvidence
    records: tuple[Record, ...]
    replaced: Mapping[str, Record]
    bodies: BodySet
    is_measured: bool
    lacking: bool
    outdated: tuple[Record, ...]

    @property
    def fingerprint(self) -> str:
        """What a judgement depends on, in one digest: a report that bears it need not be made again."""
        seen = self.evidence
        sheet = default_sheet(seen.form.prosthesis)
        text = json.dumps(
            [
                self.round_number,
                seen.form.model_dump(mode="json"),
                [[r.file, r.sha256, _keys(r.measurements)] for r in seen.records],
                [[file, r.sha256, _keys(r.measurements)] for file, r in seen.replaced.items()],
                [
                    [k.label, k.role, k.sha256, k.is_earlier_round, k.is_same_patient, k.sketch is None]
                    for k in seen.elsewhere
                ],
                _keys(seen.measurements),
                self.bodies.digest,
                [sheet.name, sheet.version],
                [[rule.id, rule.revision] for rule in RULES],
                SOFTWARE,
            ],
            sort_keys=True,
        )
        return hashlib.sha256(text.encode()).hexdigest()


def _keys(measurements: Mapping[str, Measurement]) -> list[list[str]]:
    return sorted([m.key, m.status.value] for m in measurements.values())


@contextmanager
def open_record(portal: Portal, record: Record) -> Iterator[RecordFile]:
    """A record where it can be read on this host while the block runs."""
    with open_blob(portal, record.sha256) as path:
        yield RecordFile(entry_of(record), str(path))


def kept_measurements(work: Work, keys: list[str]) -> dict[str, Measurement]:
    """Those measurements that are kept, by key."""
    if not keys:
        return {}
    rows = work.session.exec(select(KeptMeasurement).where(col(KeptMeasurement.key).in_(keys)))
    return {row.key: Measurement.model_validate(row.made) for row in rows}


def keep_measurements(work: Work, made: tuple[Measurement, ...], about: str) -> None:
    """Writes down those that are not kept yet. about: the record's SHA-256, or the case's id. One that crashed gives way to a later one that did not."""
    keys = [m.key for m in made]
    rows = work.session.exec(select(KeptMeasurement).where(col(KeptMeasurement.key).in_(keys)))
    known = {row.key: row for row in rows}
    for measurement in made:
        row = known.get(measurement.key)
        if row is None:
            row = KeptMeasurement(
                key=measurement.key, measure=measurement.measure, about=about, made={}, at=work.now
            )
        elif row.made["status"] != Status.CRASHED.value or measurement.status is Status.CRASHED:
            continue
        row.made, row.at = measurement.model_dump(mode="json"), work.now
        work.session.add(row)
        work.session.flush()
        keep_surface_keys(work, measurement)


def record_evidence(work: Work, record: Record, bodies: str) -> RecordEvidence:
    """One record with what is kept of it. bodies: the digest of the body catalogue."""
    entry = entry_of(record)
    keys = record_keys(entry, record.sha256, bodies)
    kept = kept_measurements(work, list(keys.values()))
    return RecordEvidence(entry, record.sha256, {n: kept[k] for n, k in keys.items() if k in kept})


def standing_of(work: Work, case: Case, measures: tuple[CaseMeasure[Any], ...] = CASE_MEASURES) -> Standing:
    """The round at hand. Records still being measured are in the form, but nothing is said about them yet."""
    records = records_of(work, case.id, case.round_number)
    measured = [r for r in records if r.role is not None and r.measuring is Measuring.MEASURED]
    form = form_with_records(CaseForm.model_validate(case.form), records)
    replaced, bodies = _replaced(work, case, measured), catalogue_of(work)
    digest = bodies.digest
    keys = case_keys(form, measured, replaced, digest, measures)
    kept = kept_measurements(work, list(keys.values()))
    seen = tuple(record_evidence(work, record, digest) for record in measured)
    evidence = CaseEvidence(
        form=form,
        records=seen,
        now=work.now,
        measurements={name: kept[key] for name, key in keys.items() if key in kept},
        replaced={file: record_evidence(work, before, digest) for file, before in replaced.items()},
        elsewhere=elsewhere_of(work, case, seen),
        bodies=bodies.entries,
    )
    return Standing(
        round_number=case.round_number,
        evidence=evidence,
        records=tuple(measured),
        replaced=replaced,
        bodies=bodies,
        is_measured=len(measured) == len(records),
        lacking=bool(keys.keys() - evidence.measurements.keys()),
        outdated=tuple(r for r, s in zip(measured, seen, strict=True) if not is_complete(s)),
    )


def is_complete(seen: RecordEvidence) -> bool:
    """Whether every measure of such a record has been made of it, however that ended."""
    return not record_keys(seen.entry, seen.sha256).keys() - seen.measurements.keys()


def case_keys(
    form: CaseForm,
    records: Iterable[Record],
    replaced: Mapping[str, Record],
    bodies: str,
    measures: tuple[CaseMeasure[Any], ...] = CASE_MEASURES,
) -> dict[str, str]:
    """For each measure over several records that is asked for, its name and key. bodies: as for `record_evidence`."""
    rows = case_rows(records, replaced)
    return {m.name: m.key(case_inputs(m, rows), form, bodies) for m in measures if is_asked_for(m, rows)}


def kept_pairs(work: Work, standing: Standing) -> tuple[Measurement, ...]:
    """What is kept of measures of two records, for any two of the round at hand."""
    rows = case_rows(standing.records, standing.replaced)
    rests_on = resting_on(standing.bodies.digest, standing.evidence.form.spots)
    keys = {key for m in CASE_MEASURES for pair in m.pairs for key in pair_keys(pair, rows, rests_on)}
    return tuple(kept_measurements(work, sorted(keys)).values())


def all_kept(work: Work, standing: Standing) -> tuple[Measurement, ...]:
    """Everything measured of the round at hand: of its records and those they replace, of all together, of any two."""
    seen = standing.evidence
    of_records = (m for r in (*seen.records, *seen.replaced.values()) for m in r.measurements.values())
    return (*of_records, *seen.measurements.values(), *kept_pairs(work, standing))


def case_rows(records: Iterable[Record], replaced: Mapping[str, Record]) -> CaseRows:
    """What keys are made of, by file name, for the records whose role is known."""
    return {
        r.file_name: (
            r.role,
            r.unit,
            r.sha256,
            replaced[r.file_name].sha256 if r.file_name in replaced else "",
        )
        for r in records
        if r.role is not None
    }


def _replaced(work: Work, case: Case, records: list[Record]) -> dict[str, Record]:
    """Follows what a record replaces back to the round before: a file may be replaced twice within one round."""
    earlier = {}
    for record in records:
        before: Record | None = record
        while before is not None and before.first_round == case.round_number:
            before = work.session.get(Record, before.replaces) if before.replaces else None
        if before is not None and before.role is not None and before is not record:
            earlier[record.file_name] = before
    return earlier
