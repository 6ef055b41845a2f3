"""What is kept of a record that cost its measuring child the life: every measure given up, and one refusal that says so."""

from __future__ import annotations

import logging
from collections.abc import Callable, Mapping
from typing import Any

from server.inspection.child import ChildDied, ChildLost
from server.inspection.measuring import NO_BODIES, RecordFile, measure_case, measure_record, record_keys
from server.measures.body_set import BodySet
from server.measures.graph import CASE_MEASURES, RECORD_MEASURES
from server.measures.measure import (
    CaseMeasure,
    Measurement,
    RecordMeasure,
    Status,
    case_inputs,
    is_asked_for,
)
from server.measures.reading import READING, ReadingResult, Refusal
from server.metrology.readers.reasons import TOO_HEAVY
from server.records.case_form import CaseForm, RecordEntry
from server.version import SOFTWARE

log = logging.getLogger(__name__)

GIVEN_UP = "given-up"
"""The reason beneath file/too-heavy where no reader refused the file but measuring it had to be ended."""

Run = Callable[..., tuple[Measurement, ...]]
"""How a measuring function is run: by a pool of children, or here. Called with the function and its arguments."""


def measured_record(
    run: Run,
    record: RecordFile,
    sha256: str,
    kept: tuple[Measurement, ...] = (),
    bodies: BodySet = NO_BODIES,
) -> tuple[Measurement, ...]:
    """Every measure of one record; where its child is lost, the answer that it is too heavy."""
    try:
        return asked_again(run, measure_record, record, kept, bodies)
    except ChildLost as lost:
        return given_up(record.entry, sha256, lost.says, bodies.digest)


def measured_case(
    run: Run,
    form: CaseForm,
    records: Mapping[str, tuple[RecordFile, str]],
    kept: tuple[Measurement, ...],
    replaced: Mapping[str, tuple[RecordFile, str]] | None = None,
    bodies: BodySet = NO_BODIES,
) -> tuple[Measurement, ...]:
    """Every measure over the records together, likewise. records: by file name, each with its SHA-256; replaced: the
    same for the records of the round before that were replaced, by the file name of what replaces them."""
    earlier = dict(replaced or {})
    rows = {
        file: (record.entry.role, record.entry.unit, sha256, earlier[file][1] if file in earlier else "")
        for file, (record, sha256) in records.items()
    }
    asked = [measure for measure in CASE_MEASURES if is_asked_for(measure, rows)]
    if not asked:
        return ()
    files, replaced_files = (
        tuple(record for record, _ in records.values()),
        {file: record for file, (record, _) in earlier.items()},
    )
    try:
        return asked_again(run, measure_case, form, files, replaced_files, kept, bodies)
    except ChildLost as lost:
        return tuple(
            _not_measured(m, m.key(case_inputs(m, rows), form, bodies.digest), lost.says) for m in asked
        )


def asked_again(
    run: Run, function: Callable[..., tuple[Measurement, ...]], *arguments: object
) -> tuple[Measurement, ...]:
    """A child's answer; a second child's where the first one died, which may have been ended for reasons that are not
    the record's. A record that costs two their lives is too heavy."""
    try:
        return run(function, *arguments)
    except ChildDied:
        log.warning("A measuring child died; another one is asked.")
        return run(function, *arguments)


def given_up(entry: RecordEntry, sha256: str, says: str, bodies: str = "") -> tuple[Measurement, ...]:
    """The measures of a record that could not be measured: a refusal as its reading, and nothing else measured.
    bodies: the digest of the body catalogue."""
    keys = record_keys(entry, sha256, bodies)
    return tuple(
        _refused(keys[m.name], says) if m is READING else _not_measured(m, keys[m.name], says)
        for m in RECORD_MEASURES
        if m.name in keys
    )


def _refused(key: str, says: str) -> Measurement:
    refusal = Refusal(rule=TOO_HEAVY, reason=GIVEN_UP, says=says, remedy="")
    return Measurement(
        key=key,
        measure=READING.name,
        revision=READING.revision,
        status=Status.MEASURED,
        result=ReadingResult(refusal=refusal).model_dump(mode="json"),
        software=SOFTWARE,
    )


def _not_measured(measure: RecordMeasure[Any] | CaseMeasure[Any], key: str, says: str) -> Measurement:
    return Measurement(
        key=key,
        measure=measure.name,
        revision=measure.revision,
        status=Status.NOT_MEASURED,
        because=TOO_HEAVY,
        says=says,
        software=SOFTWARE,
    )
