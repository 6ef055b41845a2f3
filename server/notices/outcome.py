"""What came of one attempt to send."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum


class Came(StrEnum):
    """*again*: worth another try later. *never*: another try would end alike."""

    SENT = "sent"
    AGAIN = "again"
    NEVER = "never"


@dataclass(frozen=True)
class Outcome:
    """`says`: in our own words, with at most a number from outside; never what a server answered."""

    came: Came
    says: str
