"""Asking a portal over HTTP with a token: a lost line is waited out, a refusal is told in the portal's own words."""

from __future__ import annotations

import time
from collections.abc import Callable
from typing import Any
from urllib.parse import urlsplit

import httpx

from server.errors import ArchproofError, BadRequest
from server.version import SOFTWARE

BUSY = frozenset({429, 502, 503, 504})
"""Answers after which the same request may do later."""
PATIENCE_S = 120.0
FIRST_PAUSE_S, LONGEST_PAUSE_S = 0.5, 15.0
ANSWER_S = 60.0
LOOPBACK = frozenset({"localhost", "127.0.0.1", "::1"})


class PortalAway(ArchproofError):
    """The portal does not answer, or not as one does. What has arrived is kept; the same command goes on from there."""

    code = "portal-away"


class PortalRefused(ArchproofError):
    """The portal has said no. `code` and words are its own."""

    def __init__(self, status: int, code: str, says: str) -> None:
        super().__init__(says, code=code)
        self.status = status


class AddressUnusable(BadRequest):
    """The address is none to which a token may be sent."""

    code = "address-unusable"


class PortalClient:
    """One portal, asked as the person of the token.

    url: its address. patience_s: how long a lost line is waited out. sleep, transport: for tests.
    """

    def __init__(
        self,
        url: str,
        token: str,
        *,
        patience_s: float = PATIENCE_S,
        sleep: Callable[[float], None] = time.sleep,
        transport: httpx.BaseTransport | None = None,
    ) -> None:
        self.url = usable_address(url)
        self._patience_s = patience_s
        self._sleep = sleep
        self._http = httpx.Client(
            base_url=self.url,
            headers={"Authorization": f"Bearer {token}", "User-Agent": SOFTWARE},
            timeout=ANSWER_S,
            transport=transport,
        )

    def close(self) -> None:
        self._http.close()

    def ask(self, method: str, path: str, **sent: Any) -> httpx.Response:
        """The answer to a request that may be repeated. Raises PortalRefused, and PortalAway when patience is over."""
        waited, pause = 0.0, FIRST_PAUSE_S
        while True:
            try:
                answer = self._http.request(method, path, **sent)
                if answer.status_code not in BUSY:
                    return _good(answer)
                fault = f"it answers {answer.status_code}"
            except httpx.TransportError as lost:
                fault = str(lost) or type(lost).__name__
            if waited >= self._patience_s:
                raise PortalAway(
                    f"The portal at {self.url} cannot be reached: {fault}. What has arrived is kept; run the same command "
                    "again when the line is back."
                )
            self._sleep(pause)
            waited, pause = waited + pause, min(2.0 * pause, LONGEST_PAUSE_S)

    def once(self, method: str, path: str, **sent: Any) -> httpx.Response:
        """The answer to a request that must not be repeated blindly. Raises PortalRefused, and LineLost where nobody knows
        what came of it."""
        try:
            answer = self._http.request(method, path, **sent)
        except httpx.TransportError as lost:
            raise LineLost(str(lost) or type(lost).__name__) from lost
        if answer.status_code in BUSY:
            raise LineLost(f"it answers {answer.status_code}")
        return _good(answer)


class LineLost(ArchproofError):
    """The line broke within a request; ask how things stand before going on."""

    code = "line-lost"


def usable_address(url: str) -> str:
    """The address without what follows the host. Raises AddressUnusable: a token goes over an encrypted line, or stays on
    this machine."""
    parts = urlsplit(url.strip())
    if parts.scheme not in ("http", "https") or not parts.hostname:
        raise AddressUnusable(
            f"“{url}” is not the address of a portal; it begins with https:// and names a host."
        )
    if parts.username or parts.password:
        raise AddressUnusable("The address must hold no name or password; the token says who you are.")
    if parts.scheme == "http" and parts.hostname not in LOOPBACK:
        raise AddressUnusable(
            f"The line to {parts.hostname} would not be encrypted; use its https:// address."
        )
    return f"{parts.scheme}://{parts.netloc}{parts.path.rstrip('/')}"


def _good(answer: httpx.Response) -> httpx.Response:
    if answer.is_success:
        return answer
    if answer.request.method == "HEAD":  # an answer without a body
        raise PortalRefused(answer.status_code, "", f"The portal answers {answer.status_code}.")
    try:
        error = answer.json()["error"]
        code, says, remedy = str(error["code"]), str(error["says"]), str(error["remedy"])
        fields = "; ".join(f"{p['field'] or 'the request'}: {p['says']}" for p in error.get("problems") or ())
    except (ValueError, KeyError, TypeError) as error:
        raise PortalAway(
            f"What answers at {answer.request.url.host} is not a portal (status {answer.status_code}); check the address."
        ) from error
    raise PortalRefused(answer.status_code, code, " ".join(w for w in (says, fields, remedy) if w))
