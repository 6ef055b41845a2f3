"""Lists of cases: the lab's queue and a clinic's own cases. Every list walks an index, page by page."""

from __future__ import annotations

import base64
import binascii
import json
from dataclasses import dataclass
from datetime import UTC, datetime
from typing import Any

from sqlalchemy import ColumnElement, tuple_
from sqlmodel import col, func, select

from server.accounts.tables import Organisation
from server.accounts.work import Work
from server.cases.tables import Case, CaseState, CaseWord
from server.errors import BadRequest

PAGE_SIZE = 50
MANY = 1000
_FEW_HITS = 500


class CursorUnusable(BadRequest):
    code = "cursor"
    http_status = 422


@dataclass(frozen=True)
class CaseFilter:
    """What is wanted. `text`: the beginning of a word of the patient code or the clinic's name."""

    state: CaseState | None = None
    clinic_id: str | None = None
    verdict: str | None = None
    text: str = ""


@dataclass(frozen=True)
class CaseLine:
    case: Case
    clinic_name: str


@dataclass(frozen=True)
class CasePage:
    """`next_cursor` is None on the last page."""

    lines: tuple[CaseLine, ...]
    next_cursor: str | None


def list_cases(
    work: Work, wanted: CaseFilter, *, cursor: str | None = None, limit: int = PAGE_SIZE
) -> CasePage:
    """Cases the actor may see, by need-by, then by gravity. Raises CursorUnusable."""
    order = (col(Case.queue_at), col(Case.lightness), col(Case.id))
    query = (
        select(Case, Organisation.name)
        .join(Organisation, col(Organisation.id) == col(Case.clinic_id))
        .where(*_conditions(work, wanted))
        .order_by(*order)
        .limit(limit + 1)
    )
    if cursor:
        query = query.where(tuple_(*order) > tuple_(*_read_cursor(cursor)))
    rows = list(work.session.exec(query))
    lines = tuple(CaseLine(case, name) for case, name in rows[:limit])
    return CasePage(lines, _cursor(lines[-1].case) if len(rows) > limit else None)


def count_by_state(work: Work, clinic_id: str | None = None) -> dict[CaseState, int]:
    """How many cases are in each state; counting stops at MANY, so that it costs the same in a large lab."""
    counts = {}
    for state in CaseState:
        some = (
            select(Case.id)
            .where(*_conditions(work, CaseFilter(state=state, clinic_id=clinic_id)))
            .limit(MANY)
        )
        counts[state] = work.session.exec(select(func.count()).select_from(some.subquery())).one()
    return counts


def _conditions(work: Work, wanted: CaseFilter) -> list[ColumnElement[bool]]:
    conditions: list[ColumnElement[bool]] = []
    clinic_id = work.actor.organisation_id if work.actor.is_clinic else wanted.clinic_id
    if clinic_id is not None:
        conditions.append(col(Case.clinic_id) == clinic_id)
    if wanted.state is not None:
        conditions.append(col(Case.state) == wanted.state)
    if wanted.verdict is not None:
        conditions.append(col(Case.verdict) == wanted.verdict)
    for word in wanted.text.casefold().split()[:4]:
        conditions.append(_has_word(work, word[:64], clinic_id))
    return conditions


def _has_word(work: Work, start: str, clinic_id: str | None) -> ColumnElement[bool]:
    """Rare beginnings are looked up first; for common ones the queue's own index finds a page of hits soon."""
    hits = (col(CaseWord.word) >= start) & (col(CaseWord.word) < start + "\U0010ffff")
    query = select(CaseWord.case_id).where(hits).distinct().limit(_FEW_HITS)
    if clinic_id is not None:
        query = query.join(Case, col(Case.id) == col(CaseWord.case_id)).where(Case.clinic_id == clinic_id)
    few = list(work.session.exec(query))
    if len(few) < _FEW_HITS:
        return col(Case.id).in_(few)
    return select(CaseWord.case_id).where(CaseWord.case_id == Case.id, hits).exists()


def _cursor(case: Case) -> str:
    text = json.dumps([case.queue_at.isoformat(), case.lightness, case.id])
    return base64.urlsafe_b64encode(text.encode()).decode()


def _read_cursor(cursor: str) -> tuple[Any, ...]:
    """Where the page before ended. What somebody else made up is refused, not handed to the database."""
    try:
        at, lightness, case_id = json.loads(base64.urlsafe_b64decode(cursor))
        moment = datetime.fromisoformat(at).astimezone(UTC)
    except (ValueError, TypeError, OverflowError, RecursionError, binascii.Error) as error:
        raise CursorUnusable("This list cannot be continued from there.") from error
    if lightness not in range(4) or not isinstance(case_id, str) or not case_id.isalnum():
        raise CursorUnusable("This list cannot be continued from there.")
    return moment, lightness, case_id
