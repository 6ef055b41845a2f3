"""What the supervised child is asked to do: measure one record, or several together. Arguments and answers are plain
data, so that they cross a process border and can be kept as JSON."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

from server.measures.bench import RecordBench
from server.measures.body_set import BodySet
from server.measures.case_bench import CaseBench
from server.measures.graph import CASE_MEASURES, RECORD_MEASURES
from server.measures.measure import Measurement, resting_on
from server.measures.reading import READING
from server.measures.role import ROLE
from server.metrology.readers.picture import is_picture
from server.records.case_form import CaseForm, RecordEntry
from server.records.marker_table import is_marker_table
from server.records.roles import Role, Unit

NO_BODIES = BodySet()
OF_CASES = frozenset(m.name for m in CASE_MEASURES)
"""What a case's evidence holds; measures of two records are kept beside, to be had again."""


@dataclass(frozen=True, slots=True)
class RecordFile:
    """A record's entry in the form and where its bytes lie."""

    entry: RecordEntry
    path: str


def measure_record(
    record: RecordFile, kept: tuple[Measurement, ...] = (), bodies: BodySet = NO_BODIES
) -> tuple[Measurement, ...]:
    """Every measure of one record. `kept`: measurements already made (of this content), which are not made again."""
    return tuple(bench_of(record, bodies).run(RECORD_MEASURES, _by_key(kept)))


def look_at_file(path: str, file_name: str, unit: Unit) -> tuple[Measurement, ...]:
    """How a file of no role can be read, and where it is a surface, what it looks like. Kept, both serve again when the
    record is measured."""
    data = Path(path).read_bytes()
    role = Role.JAW
    if is_picture(data):
        role = Role.PHOTO
    elif is_marker_table(data, file_name):
        role = Role.MARKERS
    bench = RecordBench(data, file_name=file_name, role=role, unit=unit)
    return tuple(bench.run((READING, ROLE) if role is Role.JAW else (READING,), {}))


def measure_case(
    form: CaseForm,
    records: tuple[RecordFile, ...],
    replaced: dict[str, RecordFile] | None = None,
    kept: tuple[Measurement, ...] = (),
    bodies: BodySet = NO_BODIES,
) -> tuple[Measurement, ...]:
    """Every measure over several records. replaced: by file name of this round, the record it replaces.

    `kept` may hold the records' own measurements too; what a case measure needs of them is not made again.
    """
    by_key = _by_key(kept)
    benches = {record.entry.file: bench_of(record, bodies) for record in records}
    earlier = {file: bench_of(record, bodies) for file, record in (replaced or {}).items()}
    return tuple(CaseBench(form, benches, earlier).run(CASE_MEASURES, by_key))


def record_keys(entry: RecordEntry, sha256: str, bodies: str = "") -> dict[str, str]:
    """For each measure that applies to a record of that content, its name and key: what to look up before measuring.
    bodies: the digest of the body catalogue."""
    rests_on = resting_on(bodies, entry.spots)
    return {
        m.name: m.key(sha256, entry.unit, entry.role, rests_on)
        for m in RECORD_MEASURES
        if entry.role in m.roles
    }


def bench_of(record: RecordFile, bodies: BodySet) -> RecordBench:
    """A record's bytes laid on a bench."""
    entry = record.entry
    data = Path(record.path).read_bytes()
    return RecordBench(
        data, file_name=entry.file, role=entry.role, unit=entry.unit, bodies=bodies, spots=entry.spots
    )


def _by_key(kept: tuple[Measurement, ...]) -> dict[str, Measurement]:
    return {made.key: made for made in kept}
