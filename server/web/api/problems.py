"""The one shape of every error, as the description of the interface shows it."""

from __future__ import annotations

from typing import Any

from pydantic import BaseModel, Field


class FieldProblemShape(BaseModel):
    field: str = Field(
        description="The way to the field, as sites.0.tooth; empty for the request as a whole."
    )
    says: str


class ErrorShape(BaseModel):
    code: str = Field(description="Stable; decide by it, not by the words.")
    says: str = Field(description="What is wrong, for a person.")
    remedy: str = Field(description="What to do about it.")
    request_id: str = Field(description="Names the request in the portal's log.")
    problems: list[FieldProblemShape] | None = Field(
        default=None, description="Where fields are wrong: each of them."
    )


class ErrorAnswer(BaseModel):
    error: ErrorShape


_WHAT = {
    400: "A header is missing or makes no sense.",
    401: "No token, or one that is unknown, over or revoked.",
    403: "Known, but not this person's to do.",
    404: "Unknown, or another clinic's: the two are never told apart.",
    409: "Not now: the words say whose turn it is or what stands against it.",
    410: "The upload is over; begin a new one.",
    411: "The length of the file is missing.",
    412: "The form has changed since it was read, or another version of the upload protocol is spoken.",
    413: "Larger than is accepted, or beyond the clinic's quota.",
    415: "Not a kind of file that is accepted.",
    422: "What was sent cannot be taken; problems names the fields.",
    429: "Too often; wait a little.",
}


def refusals(*statuses: int) -> dict[int | str, dict[str, Any]]:
    """The errors a route may answer with, beside that of a missing token."""
    return {s: {"model": ErrorAnswer, "description": _WHAT[s]} for s in (401, *statuses)}
