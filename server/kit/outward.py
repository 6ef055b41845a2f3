"""Requests that leave the house, to addresses that people outside have given.

A name is resolved once, every address it stands for must be public, and the connection goes to one that was checked,
under the name's certificate. Nothing is followed, nothing of the answer is read but its status, and all of it together
takes five seconds at most.
"""

from __future__ import annotations

import asyncio
import queue
import socket
import ssl
import threading
import time
from collections.abc import Callable, Mapping
from dataclasses import dataclass

import httpx

from server.errors import ArchproofError
from server.kit.public_address import AddressRefused, Target, authority, is_public, target_of
from server.version import VERSION

WHOLE_S = 5.0
CONNECT_S = 2.0
ADDRESSES_TRIED = 3
LOOK_UPS_AT_ONCE = 8
"""Names may come from anybody with an account, and a look-up that hangs cannot be broken off."""

NOT_KNOWN = "The name of the host is not known on the public internet."
"""Said alike of a name that is unknown and of one that stands for an address within walls, so that nobody can find out by
it which names are known here."""

TOO_LATE = "The name of the host could not be looked up in time."
_look_ups = threading.BoundedSemaphore(LOOK_UPS_AT_ONCE)


class Unreached(ArchproofError):
    """Nobody there took it this time; the words say what went wrong, and quote nothing from outside."""

    code = "unreached"


@dataclass(frozen=True)
class Checked:
    """A target, and the addresses its name stood for when they were checked."""

    target: Target
    addresses: tuple[str, ...]


def resolve(host: str, port: int) -> tuple[str, ...]:
    """The addresses of a name, in the order in which to try them. Raises OSError."""
    found = socket.getaddrinfo(host, port, type=socket.SOCK_STREAM, proto=socket.IPPROTO_TCP)
    return tuple(dict.fromkeys(str(entry[4][0]) for entry in found))


def public_trust() -> ssl.SSLContext:
    """The certificate authorities that browsers know."""
    return httpx.create_ssl_context(trust_env=False)


@dataclass(frozen=True)
class Outward:
    """The way out. The three parts can be replaced in a test, by code alone."""

    resolve: Callable[[str, int], tuple[str, ...]] = resolve
    is_allowed: Callable[[str], bool] = is_public
    trust: Callable[[], ssl.SSLContext] = public_trust

    def require_public(self, url: str) -> None:
        """Raises AddressRefused where the address may not be asked, or its name is not known now."""
        try:
            self._checked(url, WHOLE_S)
        except Unreached as unknown:
            raise AddressRefused(unknown.says) from unknown

    def post(self, url: str, headers: Mapping[str, str], body: bytes) -> int:
        """The status of the answer, whatever it is. Raises AddressRefused, Unreached."""
        until = time.monotonic() + WHOLE_S
        checked = self._checked(url, WHOLE_S)
        return asyncio.run(_post(checked, headers, body, self.trust(), max(until - time.monotonic(), 0.0)))

    def _checked(self, url: str, within_s: float) -> Checked:
        target = target_of(url)
        if target.is_literal:
            return Checked(target, (target.host,))
        addresses = _in_time(lambda: self.resolve(target.host, target.port), within_s)
        if not addresses:
            raise Unreached(NOT_KNOWN)
        if not all(self.is_allowed(address) for address in addresses):
            raise AddressRefused(NOT_KNOWN)
        return Checked(target, addresses)


def _in_time(look_up: Callable[[], tuple[str, ...]], within_s: float) -> tuple[str, ...]:
    """What a look-up gives; it cannot be broken off, so it is left behind where it takes too long."""
    answers: queue.SimpleQueue[tuple[str, ...]] = queue.SimpleQueue()
    until = time.monotonic() + within_s

    def ask() -> None:
        try:
            answers.put(look_up())
        except (OSError, UnicodeError):
            answers.put(())
        finally:
            _look_ups.release()

    if not _look_ups.acquire(timeout=within_s):
        raise Unreached(TOO_LATE)
    threading.Thread(target=ask, name="resolve", daemon=True).start()
    try:
        return answers.get(timeout=max(until - time.monotonic(), 0.0))
    except queue.Empty as late:
        raise Unreached(TOO_LATE) from late


async def _post(
    checked: Checked, headers: Mapping[str, str], body: bytes, trust: ssl.SSLContext, within_s: float
) -> int:
    timeout = httpx.Timeout(WHOLE_S, connect=CONNECT_S)
    try:
        async with (
            asyncio.timeout(within_s),
            httpx.AsyncClient(
                verify=trust, trust_env=False, follow_redirects=False, timeout=timeout
            ) as client,
        ):
            return await _first_answer(client, checked, headers, body)
    except (TimeoutError, httpx.TimeoutException) as late:
        raise Unreached(f"No answer within {WHOLE_S:g} seconds.") from late
    except (httpx.TransportError, OSError) as fault:
        if _is_of_certificate(fault):
            raise Unreached("The certificate of the host was not accepted.") from fault
        raise Unreached("No connection, or it broke off.") from fault


async def _first_answer(
    client: httpx.AsyncClient, checked: Checked, headers: Mapping[str, str], body: bytes
) -> int:
    """Tries one checked address after the other until a connection stands; then no more."""
    target = checked.target
    named = {"Host": target.authority, "User-Agent": f"Archproof/{VERSION}", **headers}
    tried = checked.addresses[:ADDRESSES_TRIED]
    for number, address in enumerate(tried, 1):
        url = f"https://{authority(address, target.port)}{target.path}"
        request = client.build_request(
            "POST", url, headers=named, content=body, extensions={"sni_hostname": target.host}
        )
        try:
            answer = await client.send(request, stream=True)
        except (httpx.ConnectError, httpx.ConnectTimeout) as fault:
            if number == len(tried) or _is_of_certificate(fault):
                raise
            continue
        await answer.aclose()
        return answer.status_code
    raise Unreached(NOT_KNOWN)


def _is_of_certificate(fault: BaseException | None) -> bool:
    while fault is not None:
        if isinstance(fault, ssl.SSLError):
            return True
        fault = fault.__cause__ or fault.__context__
    return False
