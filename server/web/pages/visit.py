"""One visit to one page: who looks, in which time zone, with which token; and the frame that goes around the page."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Annotated
from zoneinfo import ZoneInfo

from fastapi import Depends, Request

from server.accounts.login import OpenSession, find_session
from server.accounts.work import Actor
from server.kit.portal import Portal
from server.web.pages.fields import zone_named
from server.web.pages.parts import GENERAL_CAUTION, Frame, NoticeView, PersonView, Room, Way
from server.web.session import CSRF_FIELD, Signed, portal_of, session_secret, signed

ZONE_COOKIE = "zone"

NOTICES = {
    "sent": NoticeView("done", "Sent to the lab."),
    "taken-out": NoticeView("done", "The file was taken out of this round; earlier rounds keep it."),
    "amended": NoticeView("done", "Changed. It is measured again as that."),
    "said": NoticeView("done", "The message is sent."),
    "returned": NoticeView("done", "The case is back with the clinic."),
    "waived": NoticeView("done", "The finding is waived; the reason is kept with your name."),
    "released": NoticeView("done", "Released to design."),
    "withdrawn": NoticeView("plain", "The case is withdrawn."),
    "ended": NoticeView("done", "The account is ended."),
    "added": NoticeView("done", "Added."),
    "revoked": NoticeView("done", "The token is revoked."),
    "chosen": NoticeView("done", "Kept. It holds from the next mail on."),
    "removed": NoticeView("done", "The address is removed; nothing is sent to it any more."),
    "tried": NoticeView(
        "plain", "The trial is on its way. Load the page again in a moment to see what came of it."
    ),
    "welcome": NoticeView("done", "Welcome. This is where your cases stand."),
}
"""What is said on the page that a deed leads to, by the word in its address."""

CHAIR_CAUTIONS = (
    GENERAL_CAUTION,
    "Software cannot see an unseated body or a loose abutment: confirm by radiograph and torque. Skin marks are uncertain by "
    "about a millimetre. A scan does not prove that the bite was centric.",
)
LAB_CAUTIONS = (
    GENERAL_CAUTION,
    "Limits come from laboratory studies and common practice; none guarantees passive fit. Verify with a try-in or jig before "
    "the definitive.",
)


@dataclass(frozen=True)
class Visit:
    """A person looking at a page."""

    portal: Portal
    actor: Actor
    csrf_token: str
    zone: ZoneInfo
    path: str
    notice: str
    renew: Callable[[], Visit | None]
    """The visit as it is now; None once the person is no longer signed in. For pages that stay open."""

    def frame(self, title: str, room: Room = Room.DESK, *notices: NoticeView) -> Frame:
        """The frame around a page for this person."""
        said = (NOTICES[self.notice],) if self.notice in NOTICES else ()
        return Frame(
            title=title,
            room=room,
            ways=_ways(self.actor, self.path),
            person=PersonView(self.actor.name, self.actor.organisation_name),
            csrf_token=self.csrf_token,
            notices=(*notices, *said),
            cautions=CHAIR_CAUTIONS if self.actor.is_clinic else LAB_CAUTIONS,
        )


def visit(request: Request, who: Annotated[Signed, Depends(signed)]) -> Visit:
    """The visit of a signed-in person; anybody else is sent to the door by `signed`."""
    return _visit(request, who)


def _visit(request: Request, who: OpenSession) -> Visit:
    def renew() -> Visit | None:
        now = find_session(portal_of(request), session_secret(request))
        return _visit(request, now) if now is not None else None

    return Visit(
        renew=renew,
        portal=portal_of(request),
        actor=who.actor,
        csrf_token=who.csrf_token,
        zone=zone_of(request),
        path=request.url.path,
        notice=request.query_params.get("done", ""),
    )


def zone_of(request: Request) -> ZoneInfo:
    """The reader's zone, as the page before told by a cookie."""
    return zone_named(request.cookies.get(ZONE_COOKIE))


async def posted(request: Request) -> dict[str, str]:
    """The fields of a posted form, text only; of a name given twice the last counts."""
    form = await request.form(max_files=0, max_fields=1000)
    return {
        name: value for name, value in form.multi_items() if isinstance(value, str) and name != CSRF_FIELD
    }


def _ways(actor: Actor, path: str) -> tuple[Way, ...]:
    ways = [("Cases", "/")] if actor.is_clinic else [("Queue", "/queue")]
    if actor.is_administrator:
        ways += [("People", "/people"), ("Audit", "/audit")]
    ways += [("Notices", "/notices"), ("Tokens", "/tokens"), ("Rules", "/rules")]
    return tuple(Way(label, href, _is_here(href, path)) for label, href in ways)


def _is_here(href: str, path: str) -> bool:
    return (
        path == href
        or (href == "/notices" and path.startswith("/webhooks"))
        or (href in ("/", "/queue") and path.startswith("/cases"))
    )


Visiting = Annotated[Visit, Depends(visit)]
Posted = Annotated[dict[str, str], Depends(posted)]
