"""The pattern page: every component in every state, so that a change of look is seen everywhere at once."""

from __future__ import annotations

from dataclasses import dataclass
from typing import ClassVar

from server.web.pages.chair.page import GateView, MessageView, ReasonView, SlotView, StationView, TurnView
from server.web.pages.fields import FieldView
from server.web.pages.parts import Frame, NoticeView, OptionView, StandingView, TagView
from server.web.pages.patterns import samples
from server.web.pages.patterns.sample_pictures import pictures
from server.web.pages.pictures import PictureView
from server.web.pages.scales import ScaleView

ICONS = (
    "archproof", "clear", "note", "look", "return", "busy", "none", "crashed", "waived", "gate-shut", "gate-may",
    "gate-hold", "send", "fetch", "replace", "plus", "minus", "onward", "pen", "hand", "search", "print", "talk", "key",
    "care", "tray",
)  # fmt: skip


@dataclass(frozen=True, slots=True)
class PatternPage:
    template: ClassVar[str] = "patterns/patterns.html"

    frame: Frame
    icons: tuple[str, ...]
    tags: tuple[TagView, ...]
    standings: tuple[StandingView, ...]
    notices: tuple[NoticeView, ...]
    scales: tuple[ScaleView, ...]
    pictures: tuple[PictureView, ...]
    reasons: tuple[ReasonView, ...]
    slots: tuple[SlotView, ...]
    stations: tuple[StationView, ...]
    gates: tuple[GateView, ...]
    turns: tuple[TurnView, ...]
    messages: tuple[MessageView, ...]
    fields: tuple[FieldView, ...]
    case_id: str = "sample"
    is_open: bool = True
    roles: tuple[OptionView, ...] = (
        OptionView("jaw", "Jaw scan with scan bodies", True),
        OptionView("tissue", "Tissue scan"),
    )


def pattern_page(frame: Frame) -> PatternPage:
    """The pattern page filled with the invented samples."""
    return PatternPage(
        frame=frame,
        icons=ICONS,
        tags=samples.tags(),
        standings=samples.standings(),
        notices=samples.notices(),
        scales=samples.scales(),
        pictures=pictures(),
        reasons=(
            samples.reason("return", 1),
            samples.reason("look", 2),
            samples.reason("note", 3),
            samples.reason("look", 9),
        ),
        slots=samples.slots(),
        stations=samples.stations(),
        gates=samples.gates(),
        turns=samples.turns(),
        messages=samples.messages(),
        fields=samples.fields(),
    )
