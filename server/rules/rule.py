"""What a rule is: one bad pattern, what it applies to, limits, a remedy and one function that observes."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass, field
from enum import StrEnum
from types import MappingProxyType

from server.records.roles import Role
from server.rules.evidence import CaseEvidence, RecordEvidence, SiteEvidence
from server.rules.finding import Place, Point
from server.rules.limit import Level, Limit

VALUE = "value"
"""The name of a rule's limit where it has only one."""


@dataclass(frozen=True, slots=True)
class Observation:
    """What a rule saw, before the sheet judges it. Either a value that a limit decides, or a plain yes or no.

    broken: for rules without a limit, whether the bad pattern is there. limit: which of the rule's limits
    applies. level: overrides the level where it did not pass. site_index: the sites concerned. other_records:
    further files.
    """

    says: str
    value: float | None = None
    u95: float = 0.0
    broken: bool | None = None
    level: Level | None = None
    limit: str = VALUE
    where: tuple[Place, ...] = ()
    remedy: str | None = None
    site_index: tuple[int, ...] = ()
    other_records: tuple[str, ...] = ()

    def __post_init__(self) -> None:
        if (self.value is None) == (self.broken is None):
            raise ValueError("an observation has either a value or a yes or no")


@dataclass(frozen=True, slots=True)
class DoesNotApply:
    """The rule does not apply here, and why."""

    says: str


@dataclass(frozen=True, slots=True)
class NotSeen:
    """Something the rule looks for could not be looked at, beside what it did see. because: as for Lacking."""

    says: str
    because: str | None = None


Seen = Observation | DoesNotApply | NotSeen


def at(record: RecordEvidence, points: Iterable[Point]) -> tuple[Place, ...]:
    """Places on one record."""
    return tuple(Place(record=record.file, point_mm=point) for point in points)


RecordObserver = Callable[[RecordEvidence, CaseEvidence], Iterable[Seen]]
SiteObserver = Callable[[SiteEvidence, CaseEvidence], Iterable[Seen]]
CaseObserver = Callable[[CaseEvidence], Iterable[Seen]]


class Scope(StrEnum):
    RECORD = "record"
    SITE = "site"
    CASE = "case"


@dataclass(frozen=True)
class Rule:
    """One rule of the catalogue. Exactly one of the three observers is given: it says what is asked about.

    title: the bad pattern in a few words. remedy: chairside language, used where the observation brings none.
    level: of a broken yes/no rule. limits: by name, the defaults of the sheet *same-day provisional*.
    definitive, definitive_level: what is stricter on the sheet *definitive*. source: where the rule comes
    from, in words.
    """

    id: str
    revision: int
    title: str
    remedy: str
    source: str
    of_record: RecordObserver | None = None
    of_site: SiteObserver | None = None
    of_case: CaseObserver | None = None
    roles: frozenset[Role] = frozenset()
    level: Level = Level.LOOK
    definitive_level: Level | None = None
    limits: Mapping[str, Limit] = field(default_factory=lambda: MappingProxyType({}))
    definitive: Mapping[str, Limit] = field(default_factory=lambda: MappingProxyType({}))

    def __post_init__(self) -> None:
        given = [o for o in (self.of_record, self.of_site, self.of_case) if o is not None]
        if len(given) != 1:
            raise ValueError(f"{self.id}: a rule has exactly one observer")
        if (self.of_record is None) != (not self.roles):
            raise ValueError(f"{self.id}: rules of records, and only they, name their roles")

    @property
    def group(self) -> str:
        return self.id.split("/")[0]

    @property
    def scope(self) -> Scope:
        if self.of_record is not None:
            return Scope.RECORD
        return Scope.SITE if self.of_site is not None else Scope.CASE
