"""The words of the graph of measures: what a measure is, what it is computed from, how its result is kept.

A measure is made once for a given content and method revision, kept as a Measurement, and judged as often
as one likes.
"""

from __future__ import annotations

import hashlib
import json
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from enum import StrEnum
from typing import TYPE_CHECKING, Any, Generic, Protocol, TypeVar

from pydantic import BaseModel, ConfigDict

from server.records.roles import Role, Unit

if TYPE_CHECKING:
    from server.measures.bench import RecordBench
    from server.measures.case_bench import CaseBench
    from server.records.case_form import CaseForm, Spots


class Result(BaseModel):
    """The numbers of one measure; every field's name ends in its unit. Arrays too large for JSON stay out."""

    model_config = ConfigDict(frozen=True, extra="forbid")


R = TypeVar("R", bound=Result)


class Status(StrEnum):
    MEASURED = "measured"
    NOT_MEASURED = "not_measured"
    CRASHED = "crashed"


class Measurement(BaseModel):
    """One measure of one content, as kept: written once under its key."""

    model_config = ConfigDict(frozen=True)

    key: str
    measure: str
    revision: int
    status: Status
    result: dict[str, Any] | None = None
    because: str | None = None
    """Where nothing was measured: the id of the rule whose finding is the cause."""
    says: str = ""
    software: str = ""
    seconds: float = 0.0


class NotMeasured(Exception):
    """Raised by a measure that cannot be made on this record. `because` is the rule whose finding is the cause."""

    def __init__(self, says: str, *, because: str | None = None) -> None:
        super().__init__(says)
        self.says = says
        self.because = because


@dataclass(frozen=True)
class RecordMeasure(Generic[R]):
    """A measure of one record alone.

    roles: the records it is made for. `compute` may ask its bench for the scan and for the results of `needs`, and
    where it `uses_bodies` for the reference bodies of the catalogue. A change of method that can change a number raises `revision`.
    tell: hands a bench what a result, made or kept, saves it from finding again.
    """

    name: str
    revision: int
    result: type[R]
    roles: frozenset[Role]
    compute: Callable[[RecordBench], R]
    needs: tuple[RecordMeasure[Any], ...] = ()
    uses_bodies: bool = False
    tell: Callable[[RecordBench, R], None] | None = None

    def key(self, sha256: str, unit: Unit, role: Role, bodies: str = "") -> str:
        """The address of this measure of that content. Two workers always agree on it. bodies: what measuring with bodies
        rests on (`resting_on`), which counts only where the measure does."""
        on_bodies = [bodies] if self.rests_on_bodies else []
        return address(self.name, self.chain, [sha256, unit.value, family(role), *on_bodies])

    @property
    def rests_on_bodies(self) -> bool:
        """Whether this measure, or one it needs, looks at the body catalogue."""
        return self.uses_bodies or any(need.rests_on_bodies for need in self.needs)

    @property
    def chain(self) -> tuple[str, ...]:
        """Names and revisions of everything this measure rests on, itself included, sorted."""
        return _chain(self, self.needs)


@dataclass(frozen=True)
class PairMeasure(Generic[R]):
    """A measure of two records of a case against each other, kept under the content of these two alone: a rescan of a
    third changes nothing of it. Made when a case measure asks its bench for it.

    roles: of the first and the second record, for all pairs it may be asked for.
    """

    name: str
    revision: int
    result: type[R]
    roles: frozenset[tuple[Role, Role]]
    compute: Callable[[RecordBench, RecordBench], R]
    needs: tuple[RecordMeasure[Any], ...] = ()

    def key(self, one: Row, two: Row, bodies: str = "") -> str:
        """The address of this measure of two records. bodies: as for records."""
        rows = [[unit.value, role.value, sha256] for role, unit, sha256, _ in (one, two)]
        on_bodies = [bodies] if any(need.rests_on_bodies for need in self.needs) else []
        return address(self.name, self.chain, [*rows, *on_bodies])

    @property
    def chain(self) -> tuple[str, ...]:
        return _chain(self, self.needs)


@dataclass(frozen=True)
class CaseMeasure(Generic[R]):
    """A measure over several records of a case, and where `uses_replaced` over the records they replace.

    roles: which records it looks at. pairs: the measures of two records that it may ask for. builds_on: the case measures
    whose results it may ask for; what those look at counts as looked at by this one. of_rescans: it looks only at those
    that replace one of the round before, and is not made where there are none. form_part: what of the form it depends on,
    as JSON; None for nothing.
    """

    name: str
    revision: int
    result: type[R]
    roles: frozenset[Role]
    compute: Callable[[CaseBench], R]
    needs: tuple[RecordMeasure[Any], ...] = ()
    pairs: tuple[PairMeasure[Any], ...] = ()
    builds_on: tuple[CaseMeasure[Any], ...] = ()
    uses_bodies: bool = False
    uses_replaced: bool = False
    of_rescans: bool = False
    form_part: Callable[[CaseForm], Any] | None = None

    def key(self, inputs: list[list[str]], form: CaseForm, bodies: str = "") -> str:
        """The address of this measure over `inputs`, rows of file, role, unit, SHA-256 and that of what it replaces.
        bodies: the digest of the body catalogue, which counts only where the measure rests on it."""
        on_bodies = [resting_on(bodies, form.spots)] if self.rests_on_bodies else []
        return address(self.name, self.chain, [sorted(inputs), self._said(form), *on_bodies])

    def _said(self, form: CaseForm) -> Any:
        """What this measure, and those it builds on, take from the form."""
        part = self.form_part(form) if self.form_part else None
        below = [said for measure in self.builds_on if (said := measure._said(form)) is not None]
        return [part, *below] if below else part

    @property
    def looks_at(self) -> frozenset[Role]:
        """The roles of all records on which the result hangs."""
        return self.roles.union(*(measure.looks_at for measure in self.builds_on))

    @property
    def rests_on_bodies(self) -> bool:
        """Whether this measure, or one it needs or builds on, looks at the body catalogue."""
        needs = (*self.needs, *(need for pair in self.pairs for need in pair.needs))
        of_records = any(need.rests_on_bodies for need in needs)
        return self.uses_bodies or of_records or any(below.rests_on_bodies for below in self.builds_on)

    @property
    def chain(self) -> tuple[str, ...]:
        return _chain(self, (*self.needs, *self.pairs, *self.builds_on))


class _Chained(Protocol):
    @property
    def name(self) -> str: ...

    @property
    def revision(self) -> int: ...

    @property
    def chain(self) -> tuple[str, ...]: ...


def _chain(measure: _Chained, needs: Sequence[_Chained]) -> tuple[str, ...]:
    own = {f"{measure.name}@{measure.revision}"}
    return tuple(sorted(own.union(*(need.chain for need in needs))))


def resting_on(bodies: str, spots: Sequence[Spots]) -> str:
    """What measuring with bodies rests on: the digest of the catalogue, and the spots matched by hand where there are any."""
    if not spots:
        return bodies
    return address(bodies, (), [one.model_dump(mode="json") for one in spots])


def family(role: Role) -> str:
    """How a record of that role is read: as a surface, as implant positions or as a picture."""
    return {Role.MARKERS: "markers", Role.PHOTO: "photo"}.get(role, "surface")


def address(name: str, chain: tuple[str, ...], inputs: list[Any]) -> str:
    """SHA-256 over a measure's name, its method revisions and its inputs, in hex."""
    text = json.dumps([name, list(chain), inputs], separators=(",", ":"), ensure_ascii=True)
    return hashlib.sha256(text.encode()).hexdigest()


Row = tuple[Role, Unit, str, str]
"""A record's role, unit, SHA-256 and the SHA-256 of the record it replaces ("" where none)."""

CaseRows = Mapping[str, Row]
"""Rows by file."""


def case_inputs(measure: CaseMeasure[Any], records: CaseRows) -> list[list[str]]:
    """The rows a case measure's address is made of."""
    return [
        [file, role.value, unit.value, sha256, replaced if measure.uses_replaced else ""]
        for file, (role, unit, sha256, replaced) in records.items()
        if role in measure.looks_at and (replaced or not measure.of_rescans)
    ]


def pair_keys(measure: PairMeasure[Any], records: CaseRows, bodies: str = "") -> list[str]:
    """The addresses under which this measure may be kept for any two of the records: what to look up before measuring."""
    return [
        measure.key(one, two, bodies)
        for first, one in records.items()
        for second, two in records.items()
        if first != second and (one[0], two[0]) in measure.roles
    ]


def is_asked_for(measure: CaseMeasure[Any], records: CaseRows) -> bool:
    """Whether a case measure is made over these records at all: where one of those it looks at is there, and two that it
    could compare if that is what it does."""
    if measure.pairs and not any(_has_pair(pair, records) for pair in measure.pairs):
        return False
    return bool(case_inputs(measure, records))


def _has_pair(measure: PairMeasure[Any], records: CaseRows) -> bool:
    roles = {role for role, *_ in records.values()}
    return any(one in roles and two in roles for one, two in measure.roles)
