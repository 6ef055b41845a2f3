"""Tokens for programs: shown once, kept as a digest, expiring, revocable, for reading or also for writing."""

from __future__ import annotations

from datetime import timedelta

from sqlmodel import col, select

from server.accounts.people import actor_of, clean_name
from server.accounts.tables import ApiToken
from server.accounts.work import PORTAL, Actor, NotYours, Work, reading, writing
from server.errors import NotFound
from server.kit.ids import digest, new_id, new_secret
from server.kit.portal import Portal

MAX_DAYS = 400
PREFIX = "archproof_"
USED_EVERY = timedelta(hours=1)


def add_token(work: Work, name: str, *, days: int, may_write: bool = True) -> tuple[ApiToken, str]:
    """A token of the acting person, and its text, which is shown this once."""
    if work.actor.person_id is None:
        raise NotYours("A token belongs to a person.")
    secret = PREFIX + new_secret()
    token = ApiToken(
        id=new_id(),
        person_id=work.actor.person_id,
        name=clean_name(name)[:80],
        token_digest=digest(secret),
        may_write=may_write,
        created_at=work.now,
        expires_at=work.now + timedelta(days=min(max(days, 1), MAX_DAYS)),
    )
    work.session.add(token)
    work.audit("token.add", token.id, may_write=may_write)
    return token, secret


def tokens(work: Work) -> list[ApiToken]:
    """The acting person's tokens, newest first."""
    query = (
        select(ApiToken)
        .where(ApiToken.person_id == work.actor.person_id)
        .order_by(col(ApiToken.created_at).desc())
    )
    return list(work.session.exec(query))


def revoke_token(work: Work, token_id: str) -> None:
    """Ends one of the acting person's tokens. Raises NotFound."""
    token = work.session.get(ApiToken, token_id)
    if token is None or token.person_id != work.actor.person_id:
        raise NotFound("There is no such token.")
    token.revoked_at = token.revoked_at or work.now
    work.audit("token.revoke", token.id)


def actor_of_token(portal: Portal, secret: str) -> Actor | None:
    """Who a program acts for; None where the token is unknown, over or revoked."""
    with reading(portal, PORTAL) as work:
        token = work.session.exec(select(ApiToken).where(ApiToken.token_digest == digest(secret))).first()
        if token is None or token.revoked_at is not None or token.expires_at <= work.now:
            return None
        actor = actor_of(work, token.person_id, may_write=token.may_write)
        is_fresh = token.used_at is not None and work.now - token.used_at < USED_EVERY
    if actor is not None and not is_fresh:
        with writing(portal, PORTAL) as work:
            work.session.get_one(ApiToken, token.id).used_at = work.now
    return actor
