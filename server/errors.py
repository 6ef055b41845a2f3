"""The three families of errors, which never mix: the file is bad, the request is wrong, we are broken."""

from __future__ import annotations


class ArchproofError(Exception):
    """Any error we raise on purpose; `code` is stable and may be relied on, `says` is for people."""

    code = "error"

    def __init__(self, says: str, *, code: str | None = None) -> None:
        super().__init__(says)
        self.says = says
        if code is not None:
            self.code = code


def words_of(fault: Exception) -> str:
    """What to tell a person of a fault: our own words where there are any."""
    return fault.says if isinstance(fault, ArchproofError) else str(fault)


class BadFile(ArchproofError):
    """The file is bad: it cannot be read as what it claims to be. Ends in a finding or an intake refusal."""

    code = "unreadable"


class BadRequest(ArchproofError):
    """The request is wrong: somebody asked for what cannot be. `http_status` is what a web layer answers."""

    code = "bad-request"
    http_status = 400


class NotFound(BadRequest):
    """Unknown, or not this person's to see: the two are never told apart."""

    code = "not-found"
    http_status = 404


class Refused(BadRequest):
    """Known, but not allowed now, and the words say why."""

    code = "refused"
    http_status = 409
