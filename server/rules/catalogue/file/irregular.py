"""A file departs from its format, or holds something unexpected, but could be read in full.

Why: another program may read such a file otherwise, or stop; two solids in one file may be two scans.
How: everything the reader accepted and noted: bytes after the end, numbers too small to be stored, more
than one solid, triangles without area that were left out …
Not seen: what another program makes of it.
"""

from __future__ import annotations

from collections.abc import Iterator

from server.measures.reading import READING
from server.records.roles import Role
from server.rules.evidence import CaseEvidence, Lacking, RecordEvidence
from server.rules.limit import Level
from server.rules.rule import Observation, Rule


def _observe(record: RecordEvidence, _case: CaseEvidence) -> Iterator[Observation]:
    reading = record.result(READING)
    if reading.refusal is not None:
        raise Lacking("the file was refused", because=reading.refusal.rule)
    if reading.notes:
        yield Observation(" ".join(note.says for note in reading.notes), broken=True)
    else:
        yield Observation("The file keeps to its format.", broken=False)


RULE = Rule(
    id="file/irregular",
    revision=1,
    title="The file departs from its format",
    remedy="Nothing to do now; if another program shows it differently, export it again.",
    source="The published layouts of the formats.",
    of_record=_observe,
    roles=frozenset(Role),
    level=Level.NOTE,
)
