"""The cookie, the token in forms, and who a request comes from."""

from __future__ import annotations

import hmac
from typing import Annotated, TypeAlias
from urllib.parse import urlsplit

from fastapi import Depends, Request
from starlette.responses import Response

from server.accounts.login import OpenSession, find_session
from server.errors import BadRequest
from server.kit.portal import Portal

CSRF_FIELD = "csrf_token"
CSRF_HEADER = "X-CSRF-Token"
Signed: TypeAlias = OpenSession
_FORM_TYPES = ("application/x-www-form-urlencoded", "multipart/form-data")


class NotSignedIn(BadRequest):
    """Nobody is signed in; a page leads to the door, a program gets 401."""

    code = "not-signed-in"
    http_status = 401


class ForgedPost(BadRequest):
    """The request changes something but does not come from one of our own pages."""

    code = "forged"
    http_status = 403


def portal_of(request: Request) -> Portal:
    """The process's portal, put there at start-up."""
    portal: Portal = request.app.state.portal
    return portal


def cookie_name(portal: Portal) -> str:
    """With the prefix that ties it to this host over TLS, where there is TLS."""
    return "__Host-archproof" if portal.settings.is_secure else "archproof"


def session_secret(request: Request) -> str:
    """The cookie's value; empty where there is none."""
    return request.cookies.get(cookie_name(portal_of(request)), "")


def set_session_cookie(request: Request, response: Response, secret: str) -> None:
    portal = portal_of(request)
    lifetime_s = int(portal.settings.session_absolute_s)
    response.set_cookie(
        cookie_name(portal),
        secret,
        max_age=lifetime_s,
        path="/",
        secure=portal.settings.is_secure,
        httponly=True,
        samesite="lax",
    )


def clear_session_cookie(request: Request, response: Response) -> None:
    portal = portal_of(request)
    response.delete_cookie(
        cookie_name(portal), path="/", secure=portal.settings.is_secure, httponly=True, samesite="lax"
    )


def signed(request: Request) -> OpenSession:
    """The live session of the request. Raises NotSignedIn."""
    opened = _session_of(request)
    if opened is None:
        raise NotSignedIn("Sign in first.")
    return opened


async def may_post(request: Request) -> None:
    """Lets a change through only from one of our own pages: by origin, and by the session's token where there is a
    session. Raises ForgedPost."""
    _check_site(request)
    opened = _session_of(request)
    if opened is not None:
        _check_token(opened, request.headers.get(CSRF_HEADER) or await _form_token(request))


def may_send(request: Request) -> None:
    """The same for a program's route that is asked by a page's script: the token comes in the header, and the body is
    left to the route. Raises ForgedPost."""
    _check_site(request)
    opened = _session_of(request)
    if opened is not None:
        _check_token(opened, request.headers.get(CSRF_HEADER, ""))


def _check_site(request: Request) -> None:
    if not _is_same_site(request):
        raise ForgedPost("This request does not come from one of the portal’s own pages.")


def _session_of(request: Request) -> OpenSession | None:
    secret = session_secret(request)
    return find_session(portal_of(request), secret) if secret else None


def _check_token(opened: OpenSession, given: str) -> None:
    if not hmac.compare_digest(given.encode(), opened.csrf_token.encode()):
        raise ForgedPost("The page is too old. Load it again and repeat what you did.")


async def _form_token(request: Request) -> str:
    if not request.headers.get("content-type", "").startswith(_FORM_TYPES):
        return ""
    value = (await request.form(max_files=0, max_fields=1000)).get(CSRF_FIELD)
    return value if isinstance(value, str) else ""


def _is_same_site(request: Request) -> bool:
    if request.headers.get("sec-fetch-site", "same-origin") not in ("same-origin", "none"):
        return False
    origin = request.headers.get("origin")
    if not origin:
        return True
    return urlsplit(origin).netloc == request.headers.get("host", "")


def client_address(request: Request) -> str:
    """The network address the request came from; only for counting failed logins."""
    return request.client.host if request.client else "unknown"


SignedIn = Annotated[OpenSession, Depends(signed)]
