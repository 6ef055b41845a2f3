"""Logging in and out. Sessions live in the database: a logout, an idle half hour or a disabled account ends them."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime, timedelta

from sqlmodel import Session, col, delete, func, select

from server.accounts.passwords import password_matches
from server.accounts.people import actor_of
from server.accounts.tables import FailedLogin, LoginSession, Person
from server.accounts.work import PORTAL, Actor, Work, reading, writing
from server.errors import BadRequest
from server.kit.ids import digest, new_secret
from server.kit.portal import Portal

SEEN_EVERY = timedelta(seconds=60)
"""A session's last use is written at most this often, so that looking at pages does not write."""


class LoginFailed(BadRequest):
    """Wrong address or password; which of the two is never said."""

    code = "login-failed"
    http_status = 401


class TooManyLogins(BadRequest):
    code = "too-many-logins"
    http_status = 429


@dataclass(frozen=True)
class OpenSession:
    """A live session. `secret` is the cookie's value, known only when the session has just begun."""

    actor: Actor
    csrf_token: str
    secret: str = ""


def log_in(portal: Portal, email: str, password: str, address: str) -> OpenSession:
    """A new session. The password is checked outside any transaction. Raises LoginFailed, TooManyLogins."""
    keys = (digest(f"account:{email.strip().casefold()}"), digest(f"address:{address}"))
    with reading(portal, PORTAL) as work:
        _check_throttle(work, keys)
        person = work.session.exec(select(Person).where(Person.email == email.strip().casefold())).first()
    is_right = password_matches(password, person.password_hash if person else None)
    if person is None or not is_right or person.disabled_at is not None:
        with writing(portal, PORTAL) as work:
            work.session.add_all(FailedLogin(key_digest=key, at=work.now) for key in keys)
        raise LoginFailed("The address or the password is wrong.")
    with writing(portal, PORTAL) as work:
        work.session.execute(delete(FailedLogin).where(col(FailedLogin.key_digest) == keys[0]))
        return begin_session(work, person.id)


def begin_session(work: Work, person_id: str) -> OpenSession:
    """A session with a new secret, for a person whose right to it has just been checked. Raises LoginFailed."""
    actor = actor_of(work, person_id)
    if actor is None:
        raise LoginFailed("The address or the password is wrong.")
    secret, csrf_token = new_secret(), new_secret()
    row = LoginSession(
        token_digest=digest(secret),
        person_id=person_id,
        csrf_token=csrf_token,
        created_at=work.now,
        seen_at=work.now,
    )
    work.session.add(row)
    Work(work.portal, work.session, actor).audit("session.begin", person_id)
    return OpenSession(actor, csrf_token, secret)


def find_session(portal: Portal, secret: str) -> OpenSession | None:
    """The live session of a cookie; None where there is none or it has ended."""
    with reading(portal, PORTAL) as work:
        row = work.session.get(LoginSession, digest(secret))
        if row is None or _has_ended(portal, row, work.now):
            return None
        actor = actor_of(work, row.person_id)
        if actor is None:
            return None
        is_stale = work.now - row.seen_at > SEEN_EVERY
    if is_stale:
        _mark_seen(portal, row.token_digest)
    return OpenSession(actor, row.csrf_token)


def log_out(portal: Portal, secret: str) -> None:
    """Ends the session on the server; the cookie is worthless from then on."""
    with writing(portal, PORTAL) as work:
        work.session.execute(delete(LoginSession).where(col(LoginSession.token_digest) == digest(secret)))


def forget_ended_sessions(work: Work) -> None:
    """Removes sessions and failed logins that no longer count."""
    settings = work.portal.settings
    idle = work.now - timedelta(seconds=settings.session_idle_s)
    absolute = work.now - timedelta(seconds=settings.session_absolute_s)
    ended = (col(LoginSession.seen_at) < idle) | (col(LoginSession.created_at) < absolute)
    work.session.execute(delete(LoginSession).where(ended))
    window = work.now - timedelta(seconds=settings.login_window_s)
    work.session.execute(delete(FailedLogin).where(col(FailedLogin.at) < window))


def _has_ended(portal: Portal, row: LoginSession, now: datetime) -> bool:
    settings = portal.settings
    is_idle = now - row.seen_at > timedelta(seconds=settings.session_idle_s)
    return is_idle or now - row.created_at > timedelta(seconds=settings.session_absolute_s)


def _mark_seen(portal: Portal, token_digest: str) -> None:
    with writing(portal, PORTAL) as work:
        row = work.session.get(LoginSession, token_digest)
        if row is not None:
            row.seen_at = work.now


def _check_throttle(work: Work, keys: tuple[str, str]) -> None:
    settings = work.portal.settings
    since = work.now - timedelta(seconds=settings.login_window_s)
    for key, allowed in zip(
        keys, (settings.login_attempts, settings.login_attempts_per_address), strict=True
    ):
        if _failures(work.session, key, since) >= allowed:
            raise TooManyLogins("Too many failed logins. Wait a quarter of an hour and try again.")


def _failures(session: Session, key: str, since: datetime) -> int:
    query = (
        select(func.count())
        .select_from(FailedLogin)
        .where(FailedLogin.key_digest == key, FailedLogin.at >= since)
    )
    return session.exec(query).one()
