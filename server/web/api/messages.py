"""The thread between clinic and lab."""

from __future__ import annotations

from fastapi import APIRouter

from server.cases.lookup import find_case, messages_of
from server.cases.messages import post_message
from server.web.api.ask import Asked
from server.web.api.cases import PATH
from server.web.api.examples import MESSAGE, form_body
from server.web.api.problems import refusals
from server.web.api.shapes import MessageListShape, MessageShape, Words

router = APIRouter(prefix=PATH, tags=["Messages"])


@router.get("/{case_id}/messages", summary="The messages of a case", responses=refusals(404))
def listed(asked: Asked, case_id: str) -> MessageListShape:
    """Oldest first; what came with a return or a release is among them."""
    with asked.reading() as work:
        thread = messages_of(work, find_case(work, case_id).id)
        return MessageListShape(messages=[MessageShape.of(m) for m in thread])


@router.post(
    "/{case_id}/messages",
    summary="Write a message",
    status_code=201,
    responses=refusals(404, 422),
    openapi_extra=form_body({"$ref": "#/components/schemas/Words"}, MESSAGE),
)
def say(asked: Asked, case_id: str, words: Words) -> MessageShape:
    """For clinic and lab, at any time."""
    with asked.writing() as work:
        return MessageShape.of(post_message(work, case_id, words.text))
