"""Signing in and out, and joining by a link."""

from __future__ import annotations

from typing import Annotated

from fastapi import APIRouter, Depends, Request
from fastapi.responses import HTMLResponse, RedirectResponse, Response

from server.accounts.invitations import InvitationOver, accept_invitation, look_at_invitation
from server.accounts.login import log_in, log_out
from server.accounts.tables import PersonRole
from server.errors import BadRequest
from server.web.pages.door.page import DemoAccount, JoinPage, SignInPage
from server.web.pages.fields import FieldView
from server.web.pages.parts import Frame, Room
from server.web.pages.visit import Posted
from server.web.rendering import render
from server.web.session import (
    clear_session_cookie,
    client_address,
    may_post,
    portal_of,
    session_secret,
    set_session_cookie,
)

router = APIRouter()
guarded = APIRouter(dependencies=[Depends(may_post)])


def _door(title: str) -> Frame:
    return Frame(title=title, room=Room.DOOR)


def _onward(path: str) -> str:
    """A path of this site; anything else leads to the start."""
    is_here = path.startswith("/") and not path.startswith(("//", "/\\")) and "\\" not in path
    return path if is_here and path.isprintable() else "/"


def _sign_in_page(request: Request, onward: str, email: str = "", wrong: str = "") -> SignInPage:
    demo = _demo_accounts(request)
    return SignInPage(
        frame=_door("Sign in"),
        email=FieldView("email", "E-mail address", email, "email", is_required=True, autocomplete="username"),
        password=FieldView(
            "password", "Password", "", "password", is_required=True, autocomplete="current-password"
        ),
        onward=_onward(onward),
        wrong=wrong,
        demo=demo,
    )


def _demo_accounts(request: Request) -> tuple[DemoAccount, ...]:
    if not portal_of(request).settings.demo:
        return ()
    return tuple(getattr(request.app.state, "demo_accounts", ()))


@router.get("/sign-in", response_class=HTMLResponse)
def sign_in_form(request: Request, onward: str = "/") -> Response:
    return render(_sign_in_page(request, onward))


@guarded.post("/sign-in", response_class=HTMLResponse)
def sign_in(request: Request, fields: Posted) -> Response:
    email, onward = fields.get("email", ""), fields.get("onward", "/")
    try:
        opened = log_in(portal_of(request), email, fields.get("password", ""), client_address(request))
    except BadRequest as refusal:
        return render(_sign_in_page(request, onward, email, refusal.says), status=refusal.http_status)
    response = RedirectResponse(_onward(onward), status_code=303)
    set_session_cookie(request, response, opened.secret)
    return response


@guarded.post("/sign-out")
def sign_out(request: Request) -> Response:
    secret = session_secret(request)
    if secret:
        log_out(portal_of(request), secret)
    response = RedirectResponse("/sign-in", status_code=303)
    clear_session_cookie(request, response)
    return response


@router.get("/join/{secret}", response_class=HTMLResponse)
def join_form(request: Request, secret: str) -> Response:
    return render(_join_page(request, secret))


@guarded.post("/join/{secret}", response_class=HTMLResponse)
def join(request: Request, secret: str, fields: Posted) -> Response:
    given: Annotated[dict[str, str], "as typed"] = {
        name: fields.get(name, "") for name in ("email", "name", "password")
    }
    try:
        opened = accept_invitation(portal_of(request), secret, **given)
    except InvitationOver:
        raise
    except BadRequest as refusal:
        page = _join_page(request, secret, given, refusal.says)
        return render(page, status=refusal.http_status)
    response = RedirectResponse("/?done=welcome", status_code=303)
    set_session_cookie(request, response, opened.secret)
    return response


def _join_page(
    request: Request, secret: str, given: dict[str, str] | None = None, wrong: str = ""
) -> JoinPage:
    offered = look_at_invitation(portal_of(request), secret)
    given = given or {}
    email = FieldView(
        "email", "E-mail address", given.get("email", ""), "email", is_required=True, autocomplete="username"
    )
    hint = "At least 12 characters; a few words in a row are fine."
    name = FieldView("name", "Your name", given.get("name", ""), is_required=True, autocomplete="name")
    password = FieldView(
        "password", "Password", "", "password", hint, is_required=True, autocomplete="new-password"
    )
    is_first = not offered.email
    says = (
        f"You set up {offered.organisation_name} as its first administrator. This link works once."
        if is_first and offered.role is PersonRole.ADMINISTRATOR
        else f"You join {offered.organisation_name} as {offered.email or 'a new person'}. This link works once."
    )
    fields = (email, name, password) if is_first else (name, password)
    return JoinPage(
        frame=_door("Join"),
        action=f"/join/{secret}",
        heading="Set up Archproof" if is_first else "Join",
        says=says,
        fields=fields,
        wrong=wrong,
    )
