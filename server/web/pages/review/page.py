"""The lab's page of one case: what was found, what was measured, what the lab decides."""

from __future__ import annotations

from dataclasses import dataclass
from typing import ClassVar

from server.web.pages.chair.page import MessageView, NumberView, TurnView
from server.web.pages.parts import Frame, SilenceView, StandingView, TagView, TimeView
from server.web.pages.pictures import EvidenceView
from server.web.pages.scales import ScaleView
from server.web.pages.shots.views import ShotView


@dataclass(frozen=True, slots=True)
class FindingRow:
    """One finding in the table. `waive_href` is empty where it cannot be waived."""

    id: str
    key: str
    kind: str
    tag: TagView
    outcome: str
    rule: str
    title: str
    about: str
    says: str
    value_words: str
    limit_words: str
    scale: ScaleView | None
    picture_href: str
    where: str
    has_place: bool
    remedy: str
    source: str
    waived_words: str
    may_waive: bool
    waive_asks: str
    shot: ShotView | None = None


@dataclass(frozen=True, slots=True)
class RecordRow:
    id: str
    role: str
    file_name: str
    size_words: str
    unit: str
    sha256: str
    tag: TagView
    numbers: tuple[NumberView, ...]
    place: str
    guess_words: str
    href: str


@dataclass(frozen=True, slots=True)
class FactRow:
    label: str
    words: str


@dataclass(frozen=True, slots=True)
class SiteRow:
    cells: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class MeasureRow:
    measure: str
    about: str
    numbers: tuple[FactRow, ...]
    status: str


@dataclass(frozen=True, slots=True)
class ReturnView:
    """The return, with a message drafted from the findings."""

    may: bool
    draft: str
    says: str


@dataclass(frozen=True, slots=True)
class PackageView:
    """The archive of a release. `href` is empty until it is made, and then `says` what is going on."""

    href: str
    says: str
    sha256: str


@dataclass(frozen=True, slots=True)
class ReleaseView:
    may: bool
    says: str
    package: PackageView | None = None


@dataclass(frozen=True, slots=True)
class PlateView:
    """Where the data of the plate is, an address that changes with it; how many records may show a surface."""

    href: str
    n_layers: int


@dataclass(frozen=True, slots=True)
class ReviewPage:
    template: ClassVar[str] = "review/case.html"

    frame: Frame
    case_id: str
    heading: str
    subline: str
    needed_by: TimeView | None
    due_words: str
    is_late: bool
    standing: StandingView
    tally: tuple[str, ...]
    found: tuple[FindingRow, ...]
    passed: tuple[FindingRow, ...]
    unmeasured: tuple[SilenceView, ...]
    evidence: EvidenceView
    records: tuple[RecordRow, ...]
    facts: tuple[FactRow, ...]
    sites: tuple[SiteRow, ...]
    measures: tuple[MeasureRow, ...]
    sheet: str
    judged_at: str
    returning: ReturnView
    releasing: ReleaseView
    turns: tuple[TurnView, ...]
    messages: tuple[MessageView, ...]
    report_href: str
    live_href: str
    plate: PlateView
