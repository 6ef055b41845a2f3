"""Who asks through the interface for programs: a token in the header, or the session of one of our own pages."""

from __future__ import annotations

from typing import Annotated

from fastapi import Depends, Request
from starlette.concurrency import run_in_threadpool

from server.accounts.tokens import actor_of_token
from server.accounts.work import Actor, NotYours
from server.web.session import NotSignedIn, may_post, portal_of, signed

_SAFE = ("GET", "HEAD", "OPTIONS")


async def asking(request: Request) -> Actor:
    """The actor behind the request. Raises NotSignedIn, NotYours, ForgedPost."""
    scheme, _, secret = request.headers.get("authorization", "").partition(" ")
    if secret and scheme.casefold() == "bearer":
        actor = await run_in_threadpool(actor_of_token, portal_of(request), secret.strip())
        if actor is None:
            raise NotSignedIn("The token is unknown, over or revoked.")
        if not actor.may_write and request.method not in _SAFE:
            raise NotYours("This token may only read.")
        return actor
    if request.method not in _SAFE:
        await may_post(request)
    return (await run_in_threadpool(signed, request)).actor


Asking = Annotated[Actor, Depends(asking)]
