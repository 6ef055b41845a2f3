"""A small limit on every request body but an upload's, applied while the bytes come in. Plain ASGI."""

from __future__ import annotations

import re

from starlette.types import ASGIApp, Message, Receive, Scope, Send

from server.errors import BadRequest

TAKES_A_FILE = re.compile(r"/api/v1/(uploads/[^/]+|cases/[^/]+/files/[^/]+)")
"""Addresses to which the bytes of a file are sent; those have their own limit, told by what was announced."""


class BodyTooLarge(BadRequest):
    """More was sent than a form or a request may hold."""

    code = "body-too-large"
    http_status = 413


class BodyLimit:
    """Counts what a request brings. The error arises where the body is read, and is answered like any other."""

    def __init__(self, app: ASGIApp, *, max_bytes: int) -> None:
        self.app = app
        self.max_bytes = max_bytes

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        if scope["type"] != "http" or TAKES_A_FILE.fullmatch(scope["path"]):
            await self.app(scope, receive, send)
            return
        taken = 0

        async def counted() -> Message:
            nonlocal taken
            message = await receive()
            if message["type"] == "http.request":
                taken += len(message.get("body", b""))
                if taken > self.max_bytes:
                    raise BodyTooLarge("More was sent than can be taken at once.")
            return message

        await self.app(scope, counted, send)
