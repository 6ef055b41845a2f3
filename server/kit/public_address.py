"""Whether an address on the network may be asked from here: https, and nothing that lies within somebody's own walls.

Source: IANA IPv4 and IPv6 Special-Purpose Address Registries (RFC 6890 and its updates), from memory; the standard
library's `is_global` has to agree.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from ipaddress import IPv4Address, IPv4Network, IPv6Address, IPv6Network, ip_address
from urllib.parse import urlsplit

from server.errors import BadRequest

HTTPS_PORT = 443
FIRST_FREE_PORT = 1024
MAX_URL = 500

_NAME = re.compile(
    r"(?=.{4,253}\Z)(?:[a-z0-9](?:[a-z0-9-]{0,61}[a-z0-9])?\.)+[a-z](?:[a-z0-9-]{0,61}[a-z0-9])?"
)
"""Letters, digits and hyphens, two labels or more, the last beginning with a letter: whatever a resolver might take for a
number in decimal, octal or hexadecimal is no name."""

_NOT_PUBLIC_4 = tuple(
    IPv4Network(block)
    for block in (
        "0.0.0.0/8", "10.0.0.0/8", "100.64.0.0/10", "127.0.0.0/8", "169.254.0.0/16", "172.16.0.0/12", "192.0.0.0/24",
        "192.0.2.0/24", "192.88.99.0/24", "192.168.0.0/16", "198.18.0.0/15", "198.51.100.0/24", "203.0.113.0/24",
        "224.0.0.0/4", "240.0.0.0/4",
    )
)  # fmt: skip
_UNICAST_6 = IPv6Network("2000::/3")
"""All that is given out for use by everybody. Loopback, mapped and translated IPv4, private, link-local and multicast
addresses lie outside."""
_NOT_PUBLIC_6 = tuple(
    IPv6Network(block) for block in ("2001::/23", "2001:db8::/32", "2002::/16", "3fff::/20")
)
"""Tunnels that carry an IPv4 address, protocol assignments, documentation."""


class AddressRefused(BadRequest):
    """This address is not asked from here; the words say why."""

    code = "address-refused"
    http_status = 422


@dataclass(frozen=True)
class Target:
    """A checked way of writing: host (a name in small letters, or an IP address without brackets), port, and path with
    query."""

    host: str
    port: int
    path: str

    @property
    def is_literal(self) -> bool:
        """Whether the host is an IP address."""
        return _literal(self.host) is not None

    @property
    def authority(self) -> str:
        """As the header Host has it."""
        return authority(self.host, self.port)


def authority(host: str, port: int) -> str:
    """Host and port as an address has them."""
    bracketed = f"[{host}]" if ":" in host else host
    return bracketed if port == HTTPS_PORT else f"{bracketed}:{port}"


def target_of(url: str) -> Target:
    """What a URL asks of whom. Opens nothing and resolves nothing. Raises AddressRefused."""
    if not re.fullmatch(r"[\x21-\x7e]+", url) or "\\" in url or len(url) > MAX_URL:
        raise AddressRefused(
            f"Write the address in plain letters without spaces, at most {MAX_URL} of them; a name with other letters in "
            "its xn-- form."
        )
    try:
        parts = urlsplit(url)
        host, port = parts.hostname or "", parts.port or HTTPS_PORT
    except ValueError as error:
        raise AddressRefused("This is not an address.") from error
    if parts.scheme != "https":
        raise AddressRefused("The address must begin with https://.")
    if "@" in parts.netloc:
        raise AddressRefused("The address must not hold a name or a password.")
    if "#" in url:
        raise AddressRefused("Leave out what stands after #; it is never sent.")
    if port != HTTPS_PORT and port < FIRST_FREE_PORT:
        raise AddressRefused(f"The port must be {HTTPS_PORT}, or {FIRST_FREE_PORT} and above.")
    literal = _literal(host)
    if literal is not None:
        if not is_public(literal):
            raise AddressRefused("The address must be one on the public internet.")
        host = str(literal)
    elif not _NAME.fullmatch(host):
        raise AddressRefused("The host must be a whole name, such as hooks.example.com.")
    return Target(host, port, (parts.path or "/") + (f"?{parts.query}" if parts.query else ""))


def is_public(address: str | IPv4Address | IPv6Address) -> bool:
    """Whether an IP address may be asked: global unicast, and no form that carries another address within it."""
    try:
        ip = ip_address(address)
    except ValueError:
        return False
    if isinstance(ip, IPv4Address):
        return ip.is_global and not any(ip in block for block in _NOT_PUBLIC_4)
    return ip.is_global and ip in _UNICAST_6 and not any(ip in block for block in _NOT_PUBLIC_6)


def _literal(host: str) -> IPv4Address | IPv6Address | None:
    try:
        return ip_address(host)
    except ValueError:
        return None
