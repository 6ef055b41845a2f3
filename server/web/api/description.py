"""The description of the interface: OpenAPI, made from the routes themselves."""

from __future__ import annotations

from typing import Any

from fastapi import APIRouter, FastAPI, Request
from fastapi.openapi.utils import get_openapi
from fastapi.responses import JSONResponse

from server.version import VERSION
from server.web.asking import asking, bearer_of
from server.web.session import portal_of

PATH = "/api/v1/openapi.json"
router = APIRouter(include_in_schema=False)

SUMMARY = "Opens cases, sends their records, and fetches what was measured and decided."
WORDS = """\
A program acts for the person whose token it sends: `Authorization: Bearer TOKEN`. It may do what that person may do on
the pages, by the same rules: a clinic sees its own cases and no others, the lab sees all. An id that is unknown and one
that is another clinic's get the same 404.

Every error has one shape: `{"error": {"code", "says", "remedy", "request_id", "problems"}}`. Decide by `code`, which is
stable. `problems` names fields, as `sites.0.tooth`.

Requests with a token need no token against forged posts; a browser's session alone changes nothing here.

A verdict says what could be measured, with its uncertainty, and names what could not. It is no diagnosis: the dentist
decides, under local rules and licensed practice.
"""
TAGS = [
    {"name": "Cases", "description": "Opening, listing, the form, whose turn it is."},
    {"name": "Records", "description": "The files of a case. Each is measured as it lands."},
    {
        "name": "Resumable uploads",
        "description": "The resumable upload protocol tus 1.0.0: announce a file by POST, send its bytes by PATCH, ask by "
        "HEAD how far it is after a lost line. The last byte makes the record.",
    },
    {"name": "Verdict", "description": "What was found, and what was released."},
    {"name": "Lab", "description": "What the lab decides."},
    {"name": "Webhooks", "description": "Addresses that are told when a case is returned or released."},
    {"name": "Messages", "description": "The thread between clinic and lab."},
]


def describe(app: FastAPI) -> dict[str, Any]:
    """The OpenAPI document of the interface, made once."""
    if app.openapi_schema is None:
        app.openapi_schema = get_openapi(
            title="Archproof",
            version=VERSION,
            summary=SUMMARY,
            description=WORDS,
            routes=app.routes,
            tags=TAGS,
            separate_input_output_schemas=False,
        )
        _leave_out_foreign_errors(app.openapi_schema)
    return app.openapi_schema


def _leave_out_foreign_errors(document: dict[str, Any]) -> None:
    """Takes out the framework's own shape of errors, which no route of ours answers with."""
    for methods in document["paths"].values():
        for route in methods.values():
            if "HTTPValidationError" in str(route["responses"].get("422")):
                del route["responses"]["422"]
    for name in ("HTTPValidationError", "ValidationError"):
        document["components"]["schemas"].pop(name, None)


@router.get(PATH)
async def openapi(request: Request) -> JSONResponse:
    """For whoever has a token or a session, and for anybody where the settings say so."""
    if not portal_of(request).settings.show_api_docs:
        await asking(request, await bearer_of(request))
    return JSONResponse(describe(request.app))
