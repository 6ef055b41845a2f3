"""What pages are put together from: the frame, tags, the sentence on top, times, notices. Plain data, ready to print."""

from __future__ import annotations

from dataclasses import dataclass, field
from enum import StrEnum

from server.rules.limit import Level, Outcome
from server.version import SOFTWARE


class Room(StrEnum):
    """Where a page is read: at the door by anybody, at the chair with gloves on, at a desk all day."""

    DOOR = "door"
    CHAIR = "chair"
    DESK = "desk"


@dataclass(frozen=True, slots=True)
class Way:
    label: str
    href: str
    is_here: bool = False


@dataclass(frozen=True, slots=True)
class PersonView:
    name: str
    place: str


@dataclass(frozen=True, slots=True)
class NoticeView:
    """`kind`: done, wrong, care or plain."""

    kind: str
    says: str

    @property
    def icon(self) -> str:
        return {"done": "clear", "wrong": "return", "care": "care"}.get(self.kind, "note")


GENERAL_CAUTION = "Archproof measures scans; it does not diagnose. The dentist decides, and local rules and licensed practice come first."


@dataclass(frozen=True, slots=True)
class Frame:
    """Everything around a page's own content. `csrf_token` is empty where nobody is signed in."""

    title: str
    room: Room
    ways: tuple[Way, ...] = ()
    person: PersonView | None = None
    csrf_token: str = ""
    notices: tuple[NoticeView, ...] = ()
    cautions: tuple[str, ...] = (GENERAL_CAUTION,)
    software: str = SOFTWARE


@dataclass(frozen=True, slots=True)
class TimeView:
    """A moment: `iso` for machines, `words` in UTC until the page shows it in the reader's own zone."""

    iso: str
    words: str


@dataclass(frozen=True, slots=True)
class TagView:
    """A word in the outline that goes with it. `kind` picks the outline, `icon` the sign."""

    kind: str
    word: str
    icon: str


_LEVEL_WORDS = {Level.CLEAR: "Clear", Level.NOTE: "Note", Level.LOOK: "Look", Level.RETURN: "Return"}
_OUTCOME_WORDS = {
    Outcome.NOT_MEASURED: "Not measured",
    Outcome.NOT_APPLICABLE: "Does not apply",
    Outcome.CRASHED: "Our fault",
}


def level_tag(level: Level) -> TagView:
    return TagView(level.value, _LEVEL_WORDS[level], level.value)


def finding_tag(level: Level, outcome: Outcome) -> TagView:
    """The tag of one finding: its level where something was measured, else what kept it from being measured."""
    if outcome in (Outcome.NOT_MEASURED, Outcome.NOT_APPLICABLE) and level in (Level.CLEAR, Level.NOTE):
        return TagView(outcome.value, _OUTCOME_WORDS[outcome], "none")
    if outcome is Outcome.CRASHED:
        return TagView("crashed", _OUTCOME_WORDS[outcome], "crashed")
    return level_tag(level)


BUSY_TAG = TagView("busy", "Measuring", "busy")
SENDING_TAG = TagView("busy", "Arriving", "send")
MISSING_TAG = TagView("none", "Still to come", "none")
OPTIONAL_TAG = TagView("none", "If you have it", "none")
WAIVED_TAG = TagView("note", "Waived", "waived")


@dataclass(frozen=True, slots=True)
class StandingView:
    """The one sentence on top. `kind`: clear, look, return, busy or plain."""

    kind: str
    says: str
    more: tuple[str, ...] = field(default=())

    @property
    def icon(self) -> str:
        return {"plain": "tray", "busy": "busy"}.get(self.kind, self.kind)


@dataclass(frozen=True, slots=True)
class OptionView:
    value: str
    label: str
    is_chosen: bool = False


@dataclass(frozen=True, slots=True)
class Unasked:
    """One check that could not be made, and what it would have been about."""

    rule: str
    title: str
    about: str


@dataclass(frozen=True, slots=True)
class SilenceView:
    """What could not be measured for one cause. says: the cause, or the thing itself where no check hangs on it; because: the
    title of the rule whose finding is the cause, empty where there is none."""

    says: str
    because: str
    checks: tuple[Unasked, ...]

    @property
    def n_checks(self) -> int:
        return max(1, len(self.checks))
