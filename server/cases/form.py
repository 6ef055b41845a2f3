"""Keeping a case's form: the columns and words by which a case is listed and found follow it."""

from __future__ import annotations

import re

from sqlmodel import col, delete

from server.accounts.tables import Organisation
from server.accounts.work import Work
from server.cases.tables import NO_NEED_BY, Case, CaseWord
from server.records.case_form import CaseForm

_WORD = re.compile(r"[^\W_]+")


def keep_form(work: Work, case: Case, form: CaseForm) -> None:
    """Writes the form into the case. Its list of records is kept as what is expected: see `expected_entry`."""
    case.form = form.model_dump(mode="json", exclude_none=True)
    case.patient_code = form.patient_code or ""
    case.needed_by = form.needed_by
    if form.needed_by is not None and form.needed_by.tzinfo is None:
        case.needed_by = form.needed_by.replace(tzinfo=work.now.tzinfo)
    case.queue_at = case.needed_by or NO_NEED_BY
    clinic = work.session.get_one(Organisation, case.clinic_id)
    work.session.execute(delete(CaseWord).where(col(CaseWord.case_id) == case.id))
    texts = (case.patient_code, clinic.name)
    work.session.add_all(CaseWord(word=word, case_id=case.id) for word in sorted(words_of(*texts)))


def words_of(*texts: str) -> frozenset[str]:
    """The words of some texts, in small letters; a code like R-1042 counts as a whole and in its parts."""
    found = set()
    for text in texts:
        plain = text.casefold()
        found.update(_WORD.findall(plain))
        found.update(part[:64] for part in plain.split())
    return frozenset(word[:64] for word in found)
