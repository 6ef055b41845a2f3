"""The lab's queue: when the chair needs it, how grave it is, what is wrong in words."""

from __future__ import annotations

from dataclasses import dataclass
from typing import ClassVar

from server.web.pages.parts import Frame, OptionView, TagView, TimeView


@dataclass(frozen=True, slots=True)
class QueueLine:
    href: str
    code: str
    clinic: str
    what: str
    state: str
    tag: TagView
    wrong: str
    counts: str
    due: TimeView | None
    due_words: str
    is_late: bool


@dataclass(frozen=True, slots=True)
class QueuePage:
    template: ClassVar[str] = "queue/queue.html"

    frame: Frame
    lines: tuple[QueueLine, ...]
    tally: tuple[str, ...]
    states: tuple[OptionView, ...]
    verdicts: tuple[OptionView, ...]
    clinics: tuple[OptionView, ...]
    text: str
    is_filtered: bool
    more_href: str
    live_href: str
