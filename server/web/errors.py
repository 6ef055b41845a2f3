"""From an error to an answer: a page for people, one JSON shape for programs. The only place where the two are told
apart."""

from __future__ import annotations

from urllib.parse import quote

from fastapi import FastAPI, Request
from fastapi.exceptions import RequestValidationError
from fastapi.responses import JSONResponse, RedirectResponse
from starlette.exceptions import HTTPException
from starlette.responses import Response

from server.errors import ArchproofError, BadFile, BadRequest
from server.kit.file_store import StoreBroken
from server.kit.logs import log
from server.records.case_form import FormUnusable
from server.web.headers import dress
from server.web.pages.failures.page import failure_page
from server.web.pages.parts import Frame, Room
from server.web.remedies import remedy_of
from server.web.rendering import render
from server.web.session import NotSignedIn, portal_of

API = "/api/"
STORE_BROKEN_STATUS = 507
_HTTP_WORDS = {
    400: "The request cannot be read.",
    404: "There is nothing at this address.",
    405: "This cannot be done to what is at this address.",
    500: "This is our fault, not yours.",
}


def install_error_answers(app: FastAPI) -> None:
    """Registers the answers to every error that may leave a route."""
    app.add_exception_handler(ArchproofError, _ours)
    app.add_exception_handler(HTTPException, _http)
    app.add_exception_handler(RequestValidationError, _invalid)
    app.add_exception_handler(Exception, _broken)


def answer(request: Request, status: int, code: str, says: str, **more: object) -> Response:
    """The error as the asker reads it."""
    request_id = getattr(request.state, "request_id", "")
    if request.url.path.startswith(API):
        words = says or _HTTP_WORDS.get(status, "")
        named = {"code": code, "says": words, "remedy": remedy_of(code, status), "request_id": request_id}
        headers = {"Cache-Control": "no-store"} | ({"WWW-Authenticate": "Bearer"} if status == 401 else {})
        return JSONResponse({"error": named | more}, status_code=status, headers=headers)
    frame = Frame(title="That did not work", room=Room.DOOR)
    return render(failure_page(frame, status, says, request_id), status=status)


async def _ours(request: Request, error: Exception) -> Response:
    if isinstance(error, NotSignedIn) and not request.url.path.startswith(API):
        return _to_the_door(request)
    if isinstance(error, FormUnusable):
        problems = [{"field": p.field, "says": p.says} for p in error.problems]
        return answer(request, error.http_status, error.code, error.says, problems=problems)
    if isinstance(error, BadRequest):
        return answer(request, error.http_status, error.code, error.says)
    if isinstance(error, BadFile):
        return answer(request, 422, error.code, error.says)
    if isinstance(error, StoreBroken):
        log().error("store", code=error.code, exc_info=error)
        return answer(request, STORE_BROKEN_STATUS, error.code, error.says)
    return await _broken(request, error)


def _to_the_door(request: Request) -> Response:
    path = request.url.path if request.method == "GET" and not request.url.path.endswith("/live") else "/"
    door = f"/sign-in?onward={quote(path)}"
    if request.headers.get("HX-Request"):
        return Response(status_code=401, headers={"HX-Redirect": door})
    return RedirectResponse(door, status_code=303)


async def _http(request: Request, error: Exception) -> Response:
    assert isinstance(error, HTTPException)
    response = answer(request, error.status_code, f"http-{error.status_code}", "")
    for name, value in (error.headers or {}).items():
        response.headers[name] = value
    return response


async def _invalid(request: Request, error: Exception) -> Response:
    assert isinstance(error, RequestValidationError)
    problems = [
        {"field": "" if item["type"] == "json_invalid" else _way_to(item["loc"]), "says": item["msg"]}
        for item in error.errors()
    ]
    return answer(request, 422, "request-invalid", "The request cannot be read.", problems=problems)


def _way_to(place: tuple[int | str, ...]) -> str:
    """The field's name, without the part of the request in which it stands."""
    return ".".join(str(step) for step in place[1:])


async def _broken(request: Request, error: Exception) -> Response:
    log().error("broken", exc_info=error)
    response = answer(request, 500, "broken", "")
    is_secure = portal_of(request).settings.is_secure
    dress(response.headers, getattr(request.state, "request_id", ""), is_secure=is_secure)
    return response
