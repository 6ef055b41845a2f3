"""What a person sees when something cannot be: one page for every kind of error, in plain words."""

from __future__ import annotations

from dataclasses import dataclass
from typing import ClassVar

from server.web.pages.parts import Frame


@dataclass(frozen=True, slots=True)
class FailurePage:
    template: ClassVar[str] = "failures/failure.html"

    frame: Frame
    heading: str
    says: str
    request_id: str
    is_ours: bool


_HEADINGS = {
    400: "That request makes no sense",
    401: "Sign in first",
    403: "Not yours to do",
    404: "Not here",
    405: "Not in that way",
    409: "Not now",
    410: "That is over",
    413: "Too large",
    415: "Not a kind of file that is taken",
    422: "That cannot be taken as it is",
    429: "Too often",
    500: "Our fault",
    503: "Not ready",
}
_WORDS = {
    403: "You may see this, but not do that to it.",
    404: "There is nothing at this address, or it is not yours to see.",
    405: "This address is there, but not for that.",
    413: "More was sent than can be taken at once.",
    500: "Something broke on our side. Nothing that was confirmed as received is lost. Try again; if it stays, tell us the request number.",
}


def failure_page(frame: Frame, status: int, says: str, request_id: str) -> FailurePage:
    """The page for one status; `says` comes from the error where it is meant for people."""
    words = says or _WORDS.get(status, "Try again, or go back to where you came from.")
    return FailurePage(frame, _HEADINGS.get(status, "That did not work"), words, request_id, status >= 500)
