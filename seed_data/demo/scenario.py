"""The demo scenario as the portal loads it: organisations, people, cases with their rounds, records and words."""

from __future__ import annotations

import json
from collections.abc import Callable
from dataclasses import dataclass
from datetime import datetime, timedelta
from functools import lru_cache, partial
from typing import Any

import numpy as np

from seed_data.demo.people import CLINICS, LAB, PEOPLE, DemoOrganisation, DemoPerson
from seed_data.demo.plot import CASES, CasePlot, DemoState, Message, RoundPlot, Waiver
from seed_data.demo.store import RECORDS, first_round_of, record_bytes
from seed_data.phantoms.bodies import KINDS, BodyKind
from seed_data.phantoms.mesh_files import stl_bytes
from seed_data.phantoms.reference_mesh import reference_mesh
from server.records.bodies import BodyEntry
from server.records.case_form import CaseForm
from server.records.roles import Role, Unit


@dataclass(frozen=True, slots=True)
class DemoRecord:
    """is_new: first sent in this round. load: gives the file's bytes."""

    role: Role
    file_name: str
    unit: Unit
    body: str | None
    is_new: bool
    load: Callable[[], bytes]


@dataclass(frozen=True, slots=True)
class DemoRound:
    """opened, submitted, returned: how long ago; None where it has not happened."""

    number: int
    opened: timedelta
    submitted: timedelta | None
    returned: timedelta | None
    faults: tuple[str, ...]
    records: tuple[DemoRecord, ...]
    written_form: dict[str, Any]
    needed_in: timedelta

    def form(self, now: datetime) -> CaseForm:
        """The form of this round, with its times set from `now`."""
        signed = now - self.opened
        prescriber = {**self.written_form["prescriber"], "signed_at": signed.isoformat()}
        times = {"needed_by": (now + self.needed_in).isoformat(), "prescriber": prescriber}
        return CaseForm.model_validate({**self.written_form, **times})


@dataclass(frozen=True, slots=True)
class DemoCase:
    """closed: how long ago it was released or withdrawn. author: mail address of who opened it."""

    key: str
    patient_code: str
    clinic: str
    author: str
    state: DemoState
    story: str
    rounds: tuple[DemoRound, ...]
    messages: tuple[Message, ...]
    waivers: tuple[Waiver, ...]
    closed: timedelta | None


@dataclass(frozen=True, slots=True)
class DemoBody:
    """An entry of the body catalogue, and its mesh as binary STL."""

    entry: BodyEntry
    load: Callable[[], bytes]


@dataclass(frozen=True, slots=True)
class Scenario:
    lab: DemoOrganisation
    clinics: tuple[DemoOrganisation, ...]
    people: tuple[DemoPerson, ...]
    bodies: tuple[DemoBody, ...]
    cases: tuple[DemoCase, ...]


@lru_cache(maxsize=1)
def load_scenario() -> Scenario:
    """The invented scenario; the files of records are read only when they are asked for."""
    return Scenario(
        lab=LAB,
        clinics=CLINICS,
        people=PEOPLE,
        bodies=tuple(DemoBody(kind.entry(), partial(_body_bytes, kind)) for kind in KINDS.values()),
        cases=tuple(_case(plot) for plot in CASES),
    )


def _body_bytes(kind: BodyKind) -> bytes:
    body = reference_mesh(kind)
    return stl_bytes(body.vertices, body.faces.astype(np.int64), header=kind.id)


def _case(plot: CasePlot) -> DemoCase:
    return DemoCase(
        key=plot.key,
        patient_code=plot.patient_code,
        clinic=plot.clinic,
        author=plot.author,
        state=plot.state,
        story=plot.story,
        rounds=tuple(_round(plot, number, entry) for number, entry in enumerate(plot.rounds, start=1)),
        messages=plot.messages,
        waivers=plot.waivers,
        closed=plot.closed,
    )


def _round(plot: CasePlot, number: int, entry: RoundPlot) -> DemoRound:
    form = json.loads((RECORDS / plot.key / f"form-{number}.json").read_bytes())
    return DemoRound(
        number=number,
        opened=entry.opened,
        submitted=entry.submitted,
        returned=entry.returned,
        faults=entry.faults,
        records=tuple(_record(plot.key, number, listed) for listed in form["records"]),
        written_form=form,
        needed_in=plot.needed_in,
    )


def _record(case_key: str, number: int, listed: dict[str, Any]) -> DemoRecord:
    since = first_round_of(case_key, number, listed["file"])
    return DemoRecord(
        role=Role(listed["role"]),
        file_name=listed["file"],
        unit=Unit(listed["unit"]),
        body=listed.get("body"),
        is_new=since == number,
        load=partial(record_bytes, case_key, since, listed["file"]),
    )
