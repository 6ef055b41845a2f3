"""The clinic's home: its cases, whose turn each is, and what to do next."""

from __future__ import annotations

from dataclasses import dataclass
from typing import ClassVar

from server.web.pages.parts import Frame, TagView, TimeView


@dataclass(frozen=True, slots=True)
class CaseCard:
    href: str
    code: str
    subline: str
    next_words: str
    tag: TagView
    due: TimeView | None
    due_words: str
    is_late: bool


@dataclass(frozen=True, slots=True)
class CaseGroup:
    id: str
    title: str
    cards: tuple[CaseCard, ...]


@dataclass(frozen=True, slots=True)
class HomePage:
    template: ClassVar[str] = "home/home.html"

    frame: Frame
    clinic: str
    groups: tuple[CaseGroup, ...]
    more_href: str
    live_href: str
