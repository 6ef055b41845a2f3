"""Who asks through the interface for programs: a token in the header, or the session of one of our own pages."""

from __future__ import annotations

from typing import Annotated

from fastapi import Depends, Request
from fastapi.security import HTTPAuthorizationCredentials, HTTPBearer
from starlette.concurrency import run_in_threadpool

from server.accounts.tokens import actor_of_token
from server.accounts.work import Actor, NotYours
from server.web.session import NotSignedIn, may_send, portal_of, signed

_SAFE = ("GET", "HEAD", "OPTIONS")
bearer_of = HTTPBearer(
    scheme_name="token",
    description="A token made on the portal's page Tokens. It acts for the person who made it, ends by itself, and "
    "may be for reading only.",
    auto_error=False,
)
Given = Annotated[HTTPAuthorizationCredentials | None, Depends(bearer_of)]


async def asking(request: Request, given: Given) -> Actor:
    """The actor behind the request. A session counts as well, but changes something only with the token that our own
    pages carry. Raises NotSignedIn, NotYours, ForgedPost."""
    if given is not None:
        actor = await run_in_threadpool(actor_of_token, portal_of(request), given.credentials.strip())
        if actor is None:
            raise NotSignedIn("The token is unknown, over or revoked.")
        if not actor.may_write and request.method not in _SAFE:
            raise NotYours("This token may only read.")
        return actor
    if request.method not in _SAFE:
        await run_in_threadpool(may_send, request)
    return (await run_in_threadpool(signed, request)).actor


Asking = Annotated[Actor, Depends(asking)]
