"""Identifiers nobody can guess, safe in addresses and file names; and digests of secrets."""

from __future__ import annotations

import hashlib
import secrets

_LETTERS = "0123456789abcdefghjkmnpqrstvwxyz"
_ID_LENGTH = 24  # 5 bits each: 120 bits


def new_id() -> str:
    """An identifier of 24 digits and small letters without i, l, o, u; 120 random bits."""
    return "".join(secrets.choice(_LETTERS) for _ in range(_ID_LENGTH))


def new_secret() -> str:
    """A secret for a link, a session or a token: 256 random bits, safe in an address."""
    return secrets.token_urlsafe(32)


def digest(secret: str) -> str:
    """How a secret is kept: SHA-256 in hex. Secrets of 256 random bits need no salt and no slow hash."""
    return hashlib.sha256(secret.encode()).hexdigest()
