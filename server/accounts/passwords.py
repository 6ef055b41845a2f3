"""Passwords: argon2id, checked two at a time so that a flood of logins cannot take all memory.

Source: OWASP Password Storage Cheat Sheet (argon2id) and NIST SP 800-63B (length over composition), from memory.
"""

from __future__ import annotations

import threading
from functools import cache

from pwdlib import PasswordHash
from pwdlib.exceptions import PwdlibError

from server.errors import BadRequest

MIN_LENGTH = 12
MAX_LENGTH = 256
_two_at_a_time = threading.BoundedSemaphore(2)
_hasher = PasswordHash.recommended()

_COMMON_STEMS = (
    "password", "passwort", "qwertyuiop", "1234567890", "abcdefghijkl", "iloveyou", "letmein", "welcome", "administrator",
    "archproof", "changeme", "qwerty123456", "000000", "111111", "123123", "asdfghjkl", "dragon", "football", "monkey",
)  # fmt: skip


class PasswordWeak(BadRequest):
    """The password is too short, too long or one of those tried first."""

    code = "password-weak"
    http_status = 422


def check_password_strength(password: str, *, email: str = "") -> None:
    """Raises PasswordWeak, saying why. Any characters are allowed; none are asked for."""
    if len(password) < MIN_LENGTH:
        raise PasswordWeak(f"A password has at least {MIN_LENGTH} characters; a few words in a row are fine.")
    if len(password) > MAX_LENGTH:
        raise PasswordWeak(f"A password has at most {MAX_LENGTH} characters.")
    plain = password.casefold()
    rest = min((plain.replace(stem, "") for stem in _stems(email) if stem in plain), key=len, default=plain)
    if (len(rest) < 6 and rest != plain) or len(set(plain)) < 5:
        raise PasswordWeak("This password is one of those that are tried first; take another.")


def _stems(email: str) -> tuple[str, ...]:
    own = email.casefold().partition("@")[0]
    return (*_COMMON_STEMS, own) if len(own) >= 4 else _COMMON_STEMS


def hash_password(password: str) -> str:
    """The hash to keep. Takes some 50 ms and 64 MB; never inside a transaction."""
    with _two_at_a_time:
        return _hasher.hash(password)


def password_matches(password: str, password_hash: str | None) -> bool:
    """Whether the password is right. Without a hash the same time is spent, and the answer is no."""
    with _two_at_a_time:
        try:
            is_right = _hasher.verify(password[: MAX_LENGTH * 4], password_hash or _nobodys_hash())
        except PwdlibError:
            return False
    return is_right and password_hash is not None


@cache
def _nobodys_hash() -> str:
    return _hasher.hash("nobody has this password")
