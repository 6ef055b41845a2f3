"""What a rule may look at: the form, the records with their measurements, earlier rounds, other surfaces."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from datetime import datetime
from typing import Any, TypeVar

from server.measures.measure import CaseMeasure, Measurement, RecordMeasure, Result, Status
from server.records.bodies import BodyEntry
from server.records.case_form import CaseForm, RecordEntry, Site
from server.records.roles import Role

R = TypeVar("R", bound=Result)


class Lacking(Exception):
    """A rule asked for a measurement that is not there. `because`: the rule whose finding is the cause."""

    def __init__(self, says: str, *, because: str | None = None, crashed: bool = False) -> None:
        super().__init__(says)
        self.says = says
        self.because = because
        self.crashed = crashed


def _result(
    measure: RecordMeasure[R] | CaseMeasure[R],
    measurements: Mapping[str, Measurement],
    read: dict[str, Result],
) -> R:
    """read: results read before, by the measure's name; what many rules ask for is read once."""
    made, known = measurements.get(measure.name), read.get(measure.name)
    if isinstance(known, measure.result):
        return known
    if made is None:
        raise Lacking(f"{measure.name} was not measured")
    if made.status is not Status.MEASURED:
        raise Lacking(made.says, because=made.because, crashed=made.status is Status.CRASHED)
    read[measure.name] = result = measure.result.model_validate(made.result)
    return result


@dataclass(frozen=True)
class RecordEvidence:
    """One record with everything measured on it. `measurements` is keyed by the measure's name."""

    entry: RecordEntry
    sha256: str
    measurements: Mapping[str, Measurement] = field(default_factory=dict)
    _read: dict[str, Result] = field(default_factory=dict, init=False, repr=False, compare=False)

    @property
    def file(self) -> str:
        return self.entry.file

    @property
    def role(self) -> Role:
        return self.entry.role

    def result(self, measure: RecordMeasure[R]) -> R:
        """The result of a measure of this record. Raises Lacking where there is none."""
        return _result(measure, self.measurements, self._read)


@dataclass(frozen=True)
class KnownSurface:
    """A record filed elsewhere: in an earlier round of the case (`is_earlier_round`) or under another case.

    label: names the place so that everyone who sees the report may read it. sketch: the kept result of the measure
    surface.sketch; None where the record is known by its bytes alone. is_same_patient: the other case is one of the
    same clinic, of the same patient.
    """

    label: str
    role: Role
    sha256: str
    sketch: Mapping[str, Any] | None
    is_earlier_round: bool = False
    is_same_patient: bool = False


@dataclass(frozen=True)
class CaseEvidence:
    """A case as the rules see it. `now` is the time of judging, aware of its zone.

    replaced: for each file of this round that replaces one of the round before, that earlier record.
    bodies: the lab's body catalogue by id; empty where none is at hand, and then nothing is said of bodies.
    """

    form: CaseForm
    records: tuple[RecordEvidence, ...]
    now: datetime
    measurements: Mapping[str, Measurement] = field(default_factory=dict)
    replaced: Mapping[str, RecordEvidence] = field(default_factory=dict)
    elsewhere: tuple[KnownSurface, ...] = ()
    bodies: Mapping[str, BodyEntry] = field(default_factory=dict)
    _read: dict[str, Result] = field(default_factory=dict, init=False, repr=False, compare=False)

    def of_roles(self, roles: Iterable[Role]) -> tuple[RecordEvidence, ...]:
        wanted = frozenset(roles)
        return tuple(record for record in self.records if record.role in wanted)

    def result(self, measure: CaseMeasure[R]) -> R:
        """The result of a measure over several records. Raises Lacking where there is none."""
        return _result(measure, self.measurements, self._read)

    def result_or_none(self, measure: CaseMeasure[R]) -> R | None:
        """The same for who can do without."""
        try:
            return self.result(measure)
        except Lacking:
            return None


@dataclass(frozen=True)
class SiteEvidence:
    """One site of the form, by its place in the list."""

    index: int
    site: Site
