"""The records of a case: listing, sending in one request, saying what one is, taking out, fetching."""

from __future__ import annotations

from typing import Annotated

from fastapi import APIRouter, Depends, Query, Request
from fastapi.responses import Response
from starlette.concurrency import run_in_threadpool

from server.cases.changing import change_record, remove_record
from server.cases.lookup import case_view, find_record_of
from server.errors import BadRequest
from server.records.roles import Role, Unit
from server.uploads.resumable import NewUpload
from server.uploads.whole import begin_file, finish_file, give_up_file
from server.web.api.ask import Ask, Asked
from server.web.api.cases import PATH
from server.web.api.examples import RECORD_CHANGE, form_body
from server.web.api.problems import refusals
from server.web.api.shapes import RecordChange, RecordListShape, RecordShape
from server.web.download import attachment
from server.web.receiving import receive

router = APIRouter(prefix=PATH, tags=["Records"])
_BYTES = {"type": "string", "format": "binary"}


class LengthMissing(BadRequest):
    """Without its length nobody can tell a whole file from a half one."""

    code = "length-missing"
    http_status = 411


@router.get("/{case_id}/records", summary="The records of a case", responses=refusals(404))
def listed(asked: Asked, case_id: str) -> RecordListShape:
    """Those of the round at hand, in the order in which they came, and how far measuring is with each."""
    with asked.reading() as work:
        return RecordListShape(records=[RecordShape.of(r) for r in case_view(work, case_id).records])


def announced(
    request: Request,
    file_name: str,
    role: Annotated[
        Role | None, Query(description="jaw, tissue, denture, opposing, bite, markers, before or photo.")
    ] = None,
    unit: Annotated[
        Unit | None, Query(description="Of its coordinates: mm, cm, m, um, in or unknown.")
    ] = None,
    body: Annotated[
        str | None, Query(max_length=200, description="The reference body that a marker mesh shows.")
    ] = None,
    replaces: Annotated[
        str | None, Query(description="The id of a record of another name whose place the file takes.")
    ] = None,
    sha256: Annotated[
        str, Query(max_length=64, description="Of the file, in hex: damage on the way is then found.")
    ] = "",
) -> NewUpload:
    """What the request says of the file it brings. Raises LengthMissing."""
    length = request.headers.get("content-length", "")
    if not (length.isascii() and length.isdecimal() and len(length) <= 15):
        raise LengthMissing("The length of the file is missing.")
    return NewUpload(file_name, int(length), role, unit, body, replaces, sha256)


@router.put(
    "/{case_id}/files/{file_name}",
    summary="Send a file",
    status_code=201,
    responses={
        200: {"model": RecordShape, "description": "The record was there already, byte for byte."},
        **refusals(403, 404, 409, 411, 413, 415, 422),
    },
    openapi_extra={
        "requestBody": {"required": True, "content": {"application/octet-stream": {"schema": _BYTES}}}
    },
)
async def put_file(
    request: Request,
    response: Response,
    asked: Asked,
    case_id: str,
    new: Annotated[NewUpload, Depends(announced)],
) -> RecordShape:
    """For the clinic. The body is the file itself. A record of the round at hand that has this name is replaced; the same
    bytes again change nothing, so that the request may be repeated. What is not said of the file is taken from the
    record it replaces, from the form, or from its name. For long files and bad lines use the resumable upload."""
    portal, actor = asked.portal, asked.actor
    with portal.store.scratch() as path:
        part = await run_in_threadpool(begin_file, portal, actor, case_id, new, path)
        try:
            await receive(request, part)
            sent = await run_in_threadpool(finish_file, portal, actor, case_id, new, part)
        except Exception:
            await run_in_threadpool(give_up_file, portal, actor, part)
            raise
    response.status_code = 201 if sent.is_new else 200
    response.headers["Location"] = f"{PATH}/{case_id}/records/{sent.record_id}"
    return await run_in_threadpool(_record, asked, case_id, sent.record_id)


@router.get("/{case_id}/records/{record_id}", summary="One record", responses=refusals(404))
def one(asked: Asked, case_id: str, record_id: str) -> RecordShape:
    """Also one of an earlier round."""
    return _record(asked, case_id, record_id)


@router.patch(
    "/{case_id}/records/{record_id}",
    summary="Say what a record is",
    responses=refusals(403, 404, 409, 422),
    openapi_extra=form_body({"$ref": "#/components/schemas/RecordChange"}, RECORD_CHANGE),
)
def amend(asked: Asked, case_id: str, record_id: str, change: RecordChange) -> RecordShape:
    """For the clinic. The record is measured again as that. Rounds already submitted keep what was said then, so that
    the answer may bear another id."""
    with asked.writing() as work:
        find_record_of(work, case_id, record_id)
        changed = change_record(
            work, record_id, role=change.role, unit=change.unit, body=change.body, spots=change.spots
        )
        return RecordShape.of(changed)


@router.delete(
    "/{case_id}/records/{record_id}",
    summary="Take a record out",
    status_code=204,
    responses=refusals(403, 404, 409),
)
def take_out(asked: Asked, case_id: str, record_id: str) -> None:
    """For the clinic. Out of the round at hand; earlier rounds keep it."""
    with asked.writing() as work:
        find_record_of(work, case_id, record_id)
        remove_record(work, record_id)


@router.get(
    "/{case_id}/records/{record_id}/file",
    summary="Fetch a record as it was sent",
    response_class=Response,
    responses={200: {"content": {"application/octet-stream": {"schema": _BYTES}}}, **refusals(404)},
)
def fetch(asked: Asked, case_id: str, record_id: str) -> Response:
    """Its bytes; the header X-SHA-256 names them."""
    with asked.reading() as work:
        record = find_record_of(work, case_id, record_id)
    return attachment(asked.portal, record)


def _record(asked: Ask, case_id: str, record_id: str) -> RecordShape:
    with asked.reading() as work:
        return RecordShape.of(find_record_of(work, case_id, record_id))
