"""An invented case in any state, built from the real tables, forms and findings without a database."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta

from server.cases.lookup import CaseView
from server.cases.tables import NO_NEED_BY, Case, CaseState, Measuring, Message, MessageKind, Record, Round
from server.inspection.report import Report, SheetName, Verdict
from server.records.case_form import CaseForm
from server.records.roles import Role, Unit
from server.rules.finding import Finding, LimitApplied, Place
from server.rules.limit import Level, Outcome
from server.web.pages.chair.build import Judged
from server.web.pages.parts import Frame, PersonView, Room, Way

NOW = datetime(2031, 5, 4, 10, 0, tzinfo=UTC)
SHA = "ab" * 32


def frame(room: Room = Room.CHAIR, title: str = "R-1042") -> Frame:
    return Frame(
        title,
        room,
        (Way("Cases", "/", True), Way("Rules", "/rules")),
        PersonView("Ada Brandt", "Weir Lane"),
        "token",
    )


def form() -> CaseForm:
    return CaseForm.model_validate(
        {
            "patient_code": "R-1042",
            "working_arch": "lower",
            "numbering": "fdi",
            "prosthesis": "provisional",
            "material": "pmma-milled",
            "connection": "titanium-base",
            "opposing_dentition": "natural",
            "needed_by": "2031-05-04T15:30:00+00:00",
            "prescriber": {
                "name": "Dr. Ilse Marrow",
                "licence": "WL-221",
                "signed_at": "2031-05-04T08:00:00+00:00",
            },
            "vertical": {"reference_mm": 62.0, "seated_mm": 62.3, "repeats_mm": [62.1, 62.4]},
            "planned_teeth": "36-46",
            "attested": {"bodies_torqued": True},
            "sites": [
                {
                    "tooth": tooth,
                    "scan_body": "rb-60",
                    "cuff_mm": 2.0,
                    "torque_ncm": 35,
                    "seat_confirmed": "radiograph",
                }
                for tooth in ("34", "32", "42", "44")
            ],
        }
    )


def record(role: Role | None, name: str, measuring: Measuring = Measuring.MEASURED) -> Record:
    return Record(
        id=name.replace(".", "-").replace(" ", "-"),
        case_id="case1",
        clinic_id="clinic1",
        role=role,
        unit=Unit.MM,
        file_name=name,
        sha256=SHA,
        size_bytes=9_120_084,
        first_round=1,
        measuring=measuring,
        measuring_since=NOW,
        added_at=NOW,
    )


def hole(level: Level = Level.RETURN, value: float = 11.2) -> Finding:
    return Finding(
        rule="surface/hole",
        revision=1,
        outcome=Outcome.FAILED,
        level=level,
        records=("jaw.stl",),
        value=value,
        u95=0.4,
        unit="mm",
        limit=LimitApplied(
            look=3, return_=8, source="our own proposal", standing="common practice or our own proposal"
        ),
        where=(Place(record="jaw.stl", point_mm=(12.44, -8.06, 3.0)),),
        says=f"An opening {value} mm across lies inside the scan, where tissue should be.",
        remedy="Dry the area, hold the cheek away and scan over the gap again.",
    )


def simple(rule: str, outcome: Outcome, level: Level, says: str, *records: str) -> Finding:
    return Finding(
        rule=rule, revision=1, outcome=outcome, level=level, records=records, says=says, remedy="Say why."
    )


def report(*findings: Finding) -> Report:
    gravest = max((f.level for f in findings), key=lambda level: level.gravity, default=Level.CLEAR)
    verdict = {Level.RETURN: Verdict.RETURN, Level.LOOK: Verdict.LOOK}.get(gravest, Verdict.CLEAR)
    reading = [
        {"record": n, "role": "jaw", "status": "measured", "n_facets_stored": 182_400}
        for n in ("jaw.stl", "bite.stl")
    ]
    return Report(
        verdict=verdict,
        says="Before the patient leaves, redo the jaw scan with scan bodies: an opening 11.2 mm across lies inside the scan."
        if verdict is Verdict.RETURN
        else "Nothing to rescan by what could be measured. Not measured: where each scan body sits.",
        software="archproof test",
        sheet=SheetName(name="same-day provisional", version=1),
        judged_at=NOW.isoformat(),
        findings=(*findings, *answered()),
        measures={"file.reading": reading},
        not_measured=("where each scan body sits and how well it was caught", "the room for the bridge"),
    )


def answered() -> tuple[Finding, ...]:
    """What the gates rest on, passed."""
    rules = ("markers/count", "bodies/count", "bodies/coverage", "bite/scan-disagrees")
    return tuple(simple(rule, Outcome.PASSED, Level.CLEAR, "Nothing found.") for rule in rules)


def full_report() -> Report:
    return report(
        hole(),
        simple(
            "markers/missing",
            Outcome.FAILED,
            Level.LOOK,
            "No implant positions from photogrammetry were given.",
        ),
        simple(
            "form/unattested",
            Outcome.FAILED,
            Level.NOTE,
            "The clinic has not confirmed that the bite was checked.",
        ),
        simple("vertical/changed", Outcome.PASSED, Level.CLEAR, "The bite opened by 0.3 mm."),
        simple("round/same-as-before", Outcome.NOT_APPLICABLE, Level.CLEAR, "This is the first round."),
    )


def case(
    state: CaseState = CaseState.COLLECTING, *, verdict: str | None = None, round_number: int = 1
) -> Case:
    written = form()
    return Case(
        id="case1",
        clinic_id="clinic1",
        state=state,
        patient_code="R-1042",
        form=written.model_dump(mode="json", exclude_none=True),
        round_number=round_number,
        needed_by=written.needed_by,
        queue_at=written.needed_by or NO_NEED_BY,
        verdict=verdict,
        headline="An opening 11.2 mm across lies inside the jaw scan." if verdict else "",
        open_returns=1 if verdict == "return" else 0,
        open_looks=1 if verdict == "return" else 0,
        created_at=NOW,
        updated_at=NOW,
    )


def view(state: CaseState = CaseState.COLLECTING, *records: Record, rounds: int = 1) -> CaseView:
    made = [
        Round(
            id=f"r{n}",
            case_id="case1",
            number=n,
            opened_at=NOW,
            submitted_at=NOW if n < rounds or state is CaseState.WITH_LAB else None,
        )
        for n in range(1, rounds + 1)
    ]
    said = (
        Message(id="m1", case_id="case1", round_number=1, kind=MessageKind.RETURN, from_name="Imke Sorel", from_lab=True, text="Please scan the lower jaw again.\nThe rest is fine.", at=NOW),
        Message(id="m2", case_id="case1", round_number=1, kind=MessageKind.NOTE, from_name="Ada Brandt", from_lab=False, text="Done.", at=NOW + timedelta(minutes=4)),
    )  # fmt: skip
    return CaseView(case(state, round_number=rounds), "Weir Lane", made[-1], tuple(made), records, said)


def full_records() -> tuple[Record, ...]:
    return (
        record(Role.MARKERS, "markers.csv"),
        record(Role.JAW, "jaw.stl"),
        record(Role.TISSUE, "tissue.stl"),
        record(Role.OPPOSING, "opposing.stl"),
        record(Role.BITE, "bite.stl"),
        record(Role.BITE, "bite left.stl", Measuring.MEASURING),
    )


def judged(found: Report | None = None, **waived: str) -> Judged:
    return Judged(found, {}, waived)
