"""The case form in a request: read as `case.json` is read, and kept from being written over unseen."""

from __future__ import annotations

import hashlib
import json
from typing import Annotated, Any

from fastapi import Depends, Header, Request

from server.accounts.work import Work
from server.cases.lookup import find_case
from server.cases.tables import Case
from server.errors import BadRequest
from server.records.case_form import CaseForm, case_form_of, read_case_form


class FormChanged(BadRequest):
    """Somebody else has changed the form since it was read."""

    code = "form-changed"
    http_status = 412


class MergeUnusable(BadRequest):
    code = "merge-unusable"
    http_status = 422


async def sent_form(request: Request) -> CaseForm:
    """The form in the body. Raises FormUnusable."""
    return read_case_form(await request.body())


async def sent_merge(request: Request) -> dict[str, Any]:
    """The fields of a merge patch in the body. Raises MergeUnusable."""
    try:
        data = json.loads(await request.body())
    except (ValueError, RecursionError) as error:
        raise MergeUnusable("The change is not JSON.") from error
    if not isinstance(data, dict):
        raise MergeUnusable("The change is not a JSON object.")
    return data


SentForm = Annotated[CaseForm, Depends(sent_form)]
SentMerge = Annotated[dict[str, Any], Depends(sent_merge)]
IfMatch = Annotated[
    str,
    Header(
        description="The ETag that came with the form: where the form has changed since, the answer is 412 and nothing "
        "is written over."
    ),
]


def etag_of(case: Case) -> str:
    """Names the form as it stands."""
    text = json.dumps(case.form, sort_keys=True)
    return f'"{hashlib.sha256(text.encode()).hexdigest()[:32]}"'


def case_for_form(work: Work, case_id: str, if_match: str) -> Case:
    """The case, locked, if its form is still the one that was read. Raises CaseUnknown, FormChanged."""
    case = find_case(work, case_id, for_change=True)
    seen = [tag.strip().removeprefix("W/") for tag in if_match.split(",") if tag.strip()]
    if seen and "*" not in seen and etag_of(case) not in seen:
        raise FormChanged("The form has changed since it was read.")
    return case


def merged(case: Case, change: dict[str, Any]) -> CaseForm:
    """The form with a merge patch applied: objects field by field, null takes away, all else is replaced.

    Source: RFC 7396, from memory. Raises FormUnusable.
    """
    kept = CaseForm.model_validate(case.form).model_dump(mode="json", exclude_none=True)
    try:
        return case_form_of(_merge(kept, change))
    except RecursionError as error:
        raise MergeUnusable("The change is nested too deeply.") from error


def _merge(target: object, change: object) -> object:
    if not isinstance(change, dict):
        return change
    result = dict(target) if isinstance(target, dict) else {}
    for name, value in change.items():
        if value is None:
            result.pop(name, None)
        else:
            result[name] = _merge(result.get(name), value)
    return result
