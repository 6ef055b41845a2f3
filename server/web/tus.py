"""Resumable uploads over HTTP: the core of tus 1.0 with creation and termination.

Source: tus.io, resumable upload protocol 1.0.0 (core, creation, expiration, termination), from memory.
"""

from __future__ import annotations

import base64
import binascii
from email.utils import formatdate
from typing import Any

from fastapi import APIRouter, Request
from fastapi.responses import Response
from starlette.concurrency import run_in_threadpool

from server.accounts.work import reading, writing
from server.errors import BadRequest
from server.kit.portal import Portal
from server.records.roles import Role, Unit
from server.uploads.finishing import finish_upload
from server.uploads.resumable import (
    NewUpload,
    create_upload,
    end_upload,
    expires_at_s,
    find_upload,
    keep_part,
    open_part,
)
from server.uploads.tables import Upload
from server.web.api.problems import refusals
from server.web.asking import Asking
from server.web.receiving import receive
from server.web.session import portal_of

PATH = "/api/v1/uploads"
VERSION = "1.0.0"
_PART_TYPE = "application/offset+octet-stream"
_TUS = {"Tus-Resumable": VERSION, "Cache-Control": "no-store"}

router = APIRouter(prefix=PATH, tags=["Resumable uploads"])


def _says(summary: str, *statuses: int, **headers: str) -> dict[str, Any]:
    """What the description of the interface says of a route: its headers are read by hand, so it is told them here."""
    named = {"Tus_Resumable": "1.0.0, always."} | headers
    parameters = [
        {
            "name": name.replace("_", "-"),
            "in": "header",
            "required": True,
            "description": words,
            "schema": {"type": "string"},
        }
        for name, words in named.items()
    ]
    refused = refusals(*statuses, 412)
    return {"summary": summary, "responses": refused, "openapi_extra": {"parameters": parameters}}


_LENGTH = "The size of the file in bytes."
_METADATA = (
    "Pairs of a name and a value in base64, apart by commas: filename and case (its id) always; role, unit, body, "
    "replaces (a record's id), sha256 where known."
)
_OFFSET = "The byte at which this part begins: where the upload stands."


class HeaderWrong(BadRequest):
    """A header of the upload protocol is missing or makes no sense."""

    code = "upload-header"


class VersionUnknown(BadRequest):
    code = "upload-version"
    http_status = 412


class PartTypeWrong(BadRequest):
    code = "upload-part-type"
    http_status = 415


@router.options("", status_code=204, summary="What the upload routes can do")
def abilities(request: Request) -> Response:
    """What this server can do."""
    limit = str(portal_of(request).settings.max_record_bytes)
    more = {"Tus-Version": VERSION, "Tus-Extension": "creation,expiration,termination", "Tus-Max-Size": limit}
    return Response(status_code=204, headers=_TUS | more)


@router.post(
    "",
    status_code=201,
    response_class=Response,
    **_says(
        "Announce a file", 400, 403, 404, 409, 413, 415, 422, Upload_Length=_LENGTH, Upload_Metadata=_METADATA
    ),
)
def begin(request: Request, actor: Asking) -> Response:
    """For the clinic. The header Location of the answer is where its bytes go."""
    _check_version(request)
    portal = portal_of(request)
    said = _metadata(request.headers.get("upload-metadata", ""))
    new = NewUpload(
        file_name=said.get("filename", ""),
        length_bytes=_number(request, "upload-length"),
        role=_role(said.get("role", "")),
        unit=_unit(said.get("unit", "")),
        body=said.get("body") or None,
        replaces=said.get("replaces") or None,
        sha256=said.get("sha256", ""),
    )
    with writing(portal, actor) as work:
        upload = create_upload(work, said.get("case", ""), new)
    return Response(status_code=201, headers=_state(portal, upload) | {"Location": f"{PATH}/{upload.id}"})


@router.head("/{upload_id}", response_class=Response, **_says("Ask how far it is", 404, 410))
def stand(request: Request, actor: Asking, upload_id: str) -> Response:
    """Upload-Offset is what is safe on disk; go on from there."""
    _check_version(request)
    portal = portal_of(request)
    with reading(portal, actor) as work:
        upload = find_upload(work, upload_id)
    return Response(headers=_state(portal, upload) | {"Upload-Length": str(upload.length_bytes)})


@router.patch(
    "/{upload_id}",
    status_code=204,
    **_says("Send the next bytes", 400, 404, 409, 410, 413, 415, 422, Upload_Offset=_OFFSET),
)
async def add_part(request: Request, actor: Asking, upload_id: str) -> Response:
    """The next bytes. What arrived before a lost line is kept; the last part makes the record."""
    _check_version(request)
    if request.headers.get("content-type", "").partition(";")[0].strip() != _PART_TYPE:
        raise PartTypeWrong(f"A part is sent as {_PART_TYPE}.")
    portal, offset = portal_of(request), _number(request, "upload-offset")
    with portal.store.scratch() as path:
        part = await run_in_threadpool(open_part, portal, actor, upload_id, offset, path)
        await receive(request, part)
        await run_in_threadpool(keep_part, portal, actor, part)
    await run_in_threadpool(finish_upload, portal, upload_id)
    with reading(portal, actor) as work:
        upload = find_upload(work, upload_id)
    return Response(status_code=204, headers=_state(portal, upload))


@router.delete("/{upload_id}", status_code=204, **_says("Give it up", 404, 410))
def give_up(request: Request, actor: Asking, upload_id: str) -> Response:
    """Ends an unfinished upload."""
    _check_version(request)
    end_upload(portal_of(request), actor, upload_id)
    return Response(status_code=204, headers=_TUS)


def _state(portal: Portal, upload: Upload) -> dict[str, str]:
    expires = formatdate(expires_at_s(portal, upload), usegmt=True)
    return _TUS | {"Upload-Offset": str(upload.offset_bytes), "Upload-Expires": expires}


def _check_version(request: Request) -> None:
    if request.headers.get("tus-resumable") != VERSION:
        raise VersionUnknown(f"This server speaks version {VERSION} of the upload protocol.")


def _number(request: Request, header: str) -> int:
    text = request.headers.get(header, "")
    if not text.isascii() or not text.isdecimal() or len(text) > 15:
        raise HeaderWrong(f"{header} must be a number of bytes.")
    return int(text)


def _metadata(header: str) -> dict[str, str]:
    said = {}
    for pair in header.split(",") if header.strip() else []:
        name, _, value = pair.strip().partition(" ")
        try:
            said[name] = base64.b64decode(value, validate=True).decode("utf-8")
        except (binascii.Error, UnicodeDecodeError) as error:
            raise HeaderWrong("upload-metadata cannot be read.") from error
    return said


def _role(text: str) -> Role | None:
    if not text:
        return None
    try:
        return Role(text)
    except ValueError as error:
        raise HeaderWrong("This is not a role.") from error


def _unit(text: str) -> Unit | None:
    if not text:
        return None
    try:
        return Unit(text)
    except ValueError as error:
        raise HeaderWrong("This is not a unit.") from error
