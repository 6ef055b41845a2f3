"""The chairside page: one case, in the order of events at the chair, with a place for each record and a gate wherever
something is about to become undoable."""

from __future__ import annotations

from dataclasses import dataclass
from typing import ClassVar

from server.web.pages.chair.nameless import NamelessView
from server.web.pages.parts import Frame, OptionView, SilenceView, StandingView, TagView, TimeView
from server.web.pages.pictures import PictureView
from server.web.pages.scales import ScaleView
from server.web.pages.shots.views import ShotView


@dataclass(frozen=True, slots=True)
class NumberView:
    label: str
    words: str


@dataclass(frozen=True, slots=True)
class ReasonView:
    """One finding in chairside words: what, how far against the limit, where, what to do."""

    id: str
    kind: str
    tag: TagView
    title: str
    about: str
    says: str
    scale: ScaleView | None
    where: str
    remedy: str
    slot_id: str
    rule: str
    waived_words: str = ""
    picture: PictureView | None = None
    shot: ShotView | None = None


@dataclass(frozen=True, slots=True)
class RecordView:
    """A file in its place. `kind`: measuring, clear, look, return; `reasons` counts what stands above about it.
    guess_words: where nobody has said its role, that it was filled in."""

    id: str
    kind: str
    tag: TagView
    file_name: str
    size_words: str
    numbers: tuple[NumberView, ...]
    summary: str
    reason_ids: tuple[str, ...]
    replaces_words: str
    can_replace: bool
    can_remove: bool
    units: tuple[OptionView, ...]
    is_unit_unsure: bool
    guess_words: str = ""
    shot: ShotView | None = None


@dataclass(frozen=True, slots=True)
class SlotView:
    """The place of one role. `is_wanted`: the case cannot be sent without it."""

    role: str
    name: str
    hint: str
    tag: TagView
    records: tuple[RecordView, ...]
    is_wanted: bool
    may_add: bool
    takes: str


@dataclass(frozen=True, slots=True)
class FactView:
    label: str
    words: str
    is_missing: bool = False


@dataclass(frozen=True, slots=True)
class StationView:
    """A step at the chair. `kind`: done, trouble or open."""

    number: int
    title: str
    says: str
    kind: str
    facts: tuple[FactView, ...]
    slots: tuple[SlotView, ...]
    form_href: str


@dataclass(frozen=True, slots=True)
class GateView:
    """What may be undone now. `kind`: shut (not yet known), may, hold."""

    kind: str
    says: str
    why: str

    @property
    def icon(self) -> str:
        return f"gate-{self.kind}"


@dataclass(frozen=True, slots=True)
class StepView:
    """One step of the rail: either a station or a gate."""

    station: StationView | None = None
    gate: GateView | None = None


@dataclass(frozen=True, slots=True)
class ChangeView:
    """One thing that changed with a round: its sign and the word for it, and what it is about."""

    icon: str
    label: str
    words: str


@dataclass(frozen=True, slots=True)
class TurnView:
    """One round of the case and what changed with it."""

    number: int
    title: str
    at: TimeView | None
    tag: TagView
    changes: tuple[ChangeView, ...]


@dataclass(frozen=True, slots=True)
class MessageView:
    who: str
    at: TimeView
    says: str
    is_own: bool


@dataclass(frozen=True, slots=True)
class SubmitView:
    """The button that hands the case to the lab, or the words for why it cannot be pressed."""

    may: bool
    label: str
    says: str
    needs_consent: bool = False


@dataclass(frozen=True, slots=True)
class ChairPage:
    template: ClassVar[str] = "chair/case.html"

    frame: Frame
    case_id: str
    code: str
    heading: str
    subline: str
    needed_by: TimeView | None
    form_href: str
    is_open: bool
    standing: StandingView
    asked: MessageView | None
    nameless: tuple[NamelessView, ...]
    grave: tuple[ReasonView, ...]
    looks: tuple[ReasonView, ...]
    notes: tuple[ReasonView, ...]
    unmeasured: tuple[SilenceView, ...]
    steps: tuple[StepView, ...]
    roles: tuple[OptionView, ...]
    submit: SubmitView
    turns: tuple[TurnView, ...]
    messages: tuple[MessageView, ...]
    report_href: str
    live_href: str
    upload_href: str
    chunk_bytes: int
    max_bytes: int
