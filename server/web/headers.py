"""What every answer carries: a request id, and the headers that keep a page to itself. Plain ASGI, so that streams stay
streams."""

from __future__ import annotations

import time

import structlog
from starlette.datastructures import MutableHeaders
from starlette.types import ASGIApp, Message, Receive, Scope, Send

from server.kit.ids import new_id
from server.kit.logs import log

CONTENT_SECURITY_POLICY = "; ".join(
    (
        "default-src 'none'",
        "script-src 'self'",
        "style-src 'self'",
        "img-src 'self'",
        "connect-src 'self'",
        "form-action 'self'",
        "base-uri 'none'",
        "object-src 'none'",
        "frame-ancestors 'none'",
    )
)
"""No inline script or style anywhere, and nothing from another host."""

_HEADERS = {
    "Content-Security-Policy": CONTENT_SECURITY_POLICY,
    "X-Content-Type-Options": "nosniff",
    "Referrer-Policy": "same-origin",
    "Cross-Origin-Opener-Policy": "same-origin",
    "Cross-Origin-Resource-Policy": "same-origin",
    "Permissions-Policy": "camera=(), geolocation=(), microphone=()",
}
_HSTS = "max-age=31536000"


class Headers:
    """Puts the headers on, names the request, and writes one log line for it."""

    def __init__(self, app: ASGIApp, *, is_secure: bool) -> None:
        self.app = app
        self.is_secure = is_secure

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        if scope["type"] != "http":
            await self.app(scope, receive, send)
            return
        request_id = new_id()
        scope.setdefault("state", {})["request_id"] = request_id
        begun, status = time.perf_counter(), 500
        structlog.contextvars.bind_contextvars(request_id=request_id)

        async def send_with_headers(message: Message) -> None:
            nonlocal status
            if message["type"] == "http.response.start":
                status = message["status"]
                dress(MutableHeaders(scope=message), request_id, is_secure=self.is_secure)
            await send(message)

        try:
            await self.app(scope, receive, send_with_headers)
        finally:
            route = getattr(scope.get("route"), "path", "")
            seconds = round(time.perf_counter() - begun, 4)
            log().info("request", method=scope["method"], route=route, status=status, seconds=seconds)
            structlog.contextvars.unbind_contextvars("request_id")


def dress(headers: MutableHeaders, request_id: str, *, is_secure: bool) -> None:
    """Puts on what is not there yet. Answers to our own faults arise outside the middleware and are dressed by hand."""
    for name, value in _HEADERS.items():
        headers.setdefault(name, value)
    headers["X-Request-Id"] = request_id
    if is_secure:
        headers.setdefault("Strict-Transport-Security", _HSTS)
