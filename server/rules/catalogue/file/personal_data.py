"""A file's name, or a text inside the file, holds what looks like personal data.

Why: files travel farther than their case; a name in a header of 80 bytes goes to everyone who gets the
scan.
How: the file's name and every text inside (headers, comments, names of solids, objects and materials) are
searched for the classes of 45 CFR 164.514(b)(2) that fit there. The upload is never changed; texts are left
out of every copy that is handed on. The data itself is never repeated here.
Not seen: a name in small letters or without a label, initials; a face in a photo.
"""

from __future__ import annotations

from collections.abc import Iterator

from server.measures.personal import PERSONAL, PersonalFound
from server.records.personal import TextPlace, kinds_words, personal_kinds
from server.records.roles import Role
from server.rules.evidence import CaseEvidence, Lacking, RecordEvidence
from server.rules.limit import Level
from server.rules.rule import Observation, Rule
from server.rules.wording import listed


def _observe(record: RecordEvidence, _case: CaseEvidence) -> Iterator[Observation]:
    in_name = personal_kinds(record.file, TextPlace.FILE_NAME)
    parts = [f"its name what looks like {kinds_words(in_name)}"] if in_name else []
    parts += [
        f"its {found.where} what looks like {found.kind.words}" for found in _inside(record, bool(in_name))
    ]
    says = f"The file holds in {listed(parts)}." if parts else "No personal data was recognised."
    yield Observation(says, broken=bool(parts))


def _inside(record: RecordEvidence, is_optional: bool) -> tuple[PersonalFound, ...]:
    if record.role is Role.PHOTO:
        return ()
    try:
        return record.result(PERSONAL).found
    except Lacking:
        if is_optional:
            return ()
        raise


RULE = Rule(
    id="file/personal-data",
    revision=1,
    title="A file holds personal data",
    remedy="Name files by the patient code, and set the scanner to export without the patient's name. What "
    "is handed on carries no such text.",
    source="Classes of identifiers of 45 CFR 164.514(b)(2); where they hide is common practice.",
    of_record=_observe,
    roles=frozenset(Role),
    level=Level.NOTE,
)
