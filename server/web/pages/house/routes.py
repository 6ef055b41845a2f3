"""Keeping house: people and clinics, tokens, the audit trail."""

from __future__ import annotations

from fastapi import APIRouter, Depends
from fastapi.responses import HTMLResponse, RedirectResponse, Response

from server.accounts.audit import latest_audit
from server.accounts.invitations import PATH, invite
from server.accounts.people import NameUnusable, add_organisation, clinics, disable_person, people
from server.accounts.tables import OrganisationKind, PersonRole
from server.accounts.tokens import add_token, revoke_token, tokens
from server.accounts.work import Work, reading, writing
from server.errors import BadRequest
from server.web.pages.house.build import AUDIT_PAGE, audit_page, organisations_of, people_page, tokens_page
from server.web.pages.house.page import PeoplePage, TokensPage
from server.web.pages.visit import Posted, Visit, Visiting
from server.web.rendering import render
from server.web.session import may_post

router = APIRouter()
guarded = APIRouter(dependencies=[Depends(may_post)])


@router.get("/people", response_class=HTMLResponse)
def everybody(visit: Visiting) -> Response:
    with reading(visit.portal, visit.actor) as work:
        return render(_people(visit, work))


@guarded.post("/people/invite", response_class=HTMLResponse)
def invite_person(visit: Visiting, fields: Posted) -> Response:
    role = fields.get("role", "")
    with writing(visit.portal, visit.actor) as work:
        try:
            given = PersonRole(role) if role in set(PersonRole) else PersonRole.CLINIC
            secret = invite(work, fields.get("organisation", ""), given, fields.get("email", ""))
        except BadRequest as refusal:
            wrong = {"email": refusal.says}
            return render(_people(visit, work, wrong=wrong), status=refusal.http_status)
        link = visit.portal.settings.address + PATH + secret
        return render(_people(visit, work, link=link, link_says=f"The link for {fields.get('email', '')}"))


@guarded.post("/people/clinics", response_class=HTMLResponse)
def add_clinic(visit: Visiting, fields: Posted) -> Response:
    with writing(visit.portal, visit.actor) as work:
        try:
            add_organisation(work, OrganisationKind.CLINIC, fields.get("clinic_name", ""))
        except NameUnusable as refusal:
            return render(
                _people(visit, work, wrong={"clinic_name": refusal.says}), status=refusal.http_status
            )
    return RedirectResponse("/people?done=added", status_code=303)


@guarded.post("/people/{person_id}/disable")
def end_account(visit: Visiting, person_id: str) -> Response:
    with writing(visit.portal, visit.actor) as work:
        disable_person(work, person_id)
    return RedirectResponse("/people?done=ended", status_code=303)


@router.get("/tokens", response_class=HTMLResponse)
def own_tokens(visit: Visiting) -> Response:
    with reading(visit.portal, visit.actor) as work:
        return render(_tokens(visit, work))


@guarded.post("/tokens", response_class=HTMLResponse)
def make_token(visit: Visiting, fields: Posted) -> Response:
    days = fields.get("days", "")
    with writing(visit.portal, visit.actor) as work:
        try:
            _, secret = add_token(
                work,
                fields.get("name", ""),
                days=int(days) if days.isdecimal() and len(days) < 5 else 90,
                may_write=bool(fields.get("may_write")),
            )
        except NameUnusable as refusal:
            return render(_tokens(visit, work, wrong=refusal.says), status=refusal.http_status)
        work.session.flush()
        return render(_tokens(visit, work, secret=secret))


@guarded.post("/tokens/{token_id}/revoke")
def end_token(visit: Visiting, token_id: str) -> Response:
    with writing(visit.portal, visit.actor) as work:
        revoke_token(work, token_id)
    return RedirectResponse("/tokens?done=revoked", status_code=303)


@router.get("/audit", response_class=HTMLResponse)
def audit(visit: Visiting, before: int | None = None) -> Response:
    with reading(visit.portal, visit.actor) as work:
        entries = latest_audit(work, before_id=before, limit=AUDIT_PAGE)
        names = {person.id: person.name for person, _ in people(work)}
        return render(audit_page(visit.frame("Audit trail"), entries, names, visit.zone))


def _people(
    visit: Visit, work: Work, *, link: str = "", link_says: str = "", wrong: dict[str, str] | None = None
) -> PeoplePage:
    work.require(visit.actor.is_administrator, "Only an administrator looks after people and clinics.")
    known = people(work)
    return people_page(
        visit.frame("People and clinics"),
        known,
        organisations_of(known, clinics(work)),
        self_id=visit.actor.person_id,
        zone=visit.zone,
        link=link,
        link_says=link_says,
        wrong=wrong,
    )


def _tokens(visit: Visit, work: Work, *, secret: str = "", wrong: str = "") -> TokensPage:
    frame = visit.frame("Tokens")
    return tokens_page(frame, tokens(work), now=work.now, zone=visit.zone, secret=secret, wrong=wrong)
