from __future__ import annotations

from zoneinfo import ZoneInfo

import pytest

from server.cases.lookup import CaseView
from server.cases.tables import CaseState, Measuring
from server.inspection.report import Report
from server.records.roles import Role
from server.rules.limit import Level, Outcome
from server.web.pages.chair.build import Judged, Sending, chair_page
from server.web.pages.chair.nameless import NamelessView
from server.web.pages.chair.page import ChairPage, GateView
from server.web.pages.reasons import anchor_of
from tests.web.invented import frame, full_records, full_report, hole, judged, record, report, simple, view

UTC = ZoneInfo("UTC")


def page(seen: CaseView, found: Report | None = None, waived: dict[str, str] | None = None) -> ChairPage:
    return chair_page(frame(), seen, Judged(found, {}, waived or {}), Sending(1, 2), UTC)


def gates(built: ChairPage) -> list[GateView]:
    return [step.gate for step in built.steps if step.gate is not None]


def measured() -> tuple[object, ...]:
    return tuple(r for r in full_records() if r.measuring is Measuring.MEASURED)


def whole(*, state: CaseState = CaseState.COLLECTING) -> CaseView:
    done = [r for r in full_records() if r.measuring is Measuring.MEASURED]
    return view(state, *done, record(Role.DENTURE, "denture.stl"))


def test_nothing_sent_yet() -> None:
    built = page(view())
    assert built.standing.kind == "plain"
    assert [gate.kind for gate in gates(built)] == ["shut"] * 4
    assert not built.submit.may


def test_every_role_has_its_place_in_the_order_at_the_chair() -> None:
    slots = [slot.role for step in page(view()).steps if step.station for slot in step.station.slots]
    assert slots == ["before", "photo", "markers", "jaw", "tissue", "opposing", "bite", "denture"]
    assert set(slots) == {role.value for role in Role}


def test_all_gates_open_on_a_clear_case_and_say_on_what() -> None:
    built = page(whole(), report())
    assert [gate.kind for gate in gates(built)] == ["may"] * 4
    assert all("by what could be measured" in gate.why.lower() for gate in gates(built))
    assert built.unmeasured
    assert not built.submit.needs_consent


@pytest.mark.parametrize(
    ("rule", "place"), [("markers/count", 0), ("bodies/coverage", 1), ("bite/scan-disagrees", 2)]
)
def test_a_gate_stays_shut_where_what_it_is_about_was_not_measured(rule: str, place: int) -> None:
    seen = report()
    answers = [
        f.model_copy(update={"outcome": Outcome.NOT_MEASURED}) if f.rule == rule else f for f in seen.findings
    ]
    built = page(whole(), seen.model_copy(update={"findings": tuple(answers)}))
    assert [i for i, gate in enumerate(gates(built)) if gate.kind == "shut"] == [place]
    assert "not measured" in gates(built)[place].why


def test_a_bad_jaw_scan_holds_the_bodies_and_the_patient_but_not_the_markers() -> None:
    built = page(whole(), full_report())
    markers, bodies, bite, all_done = gates(built)
    assert (markers.kind, bodies.kind, bite.kind, all_done.kind) == ("may", "hold", "may", "hold")
    assert "jaw scan" in bodies.why
    assert [reason.rule for reason in built.grave] == ["surface/hole"]
    assert built.submit.needs_consent


def test_a_waived_finding_no_longer_holds_a_gate() -> None:
    built = page(whole(), full_report(), {anchor_of(hole()): "Waived."})
    assert [gate.kind for gate in gates(built)] == ["may"] * 4
    assert built.grave[0].waived_words == "Waived."


def test_a_record_under_way_keeps_its_own_gate_shut_and_says_so_on_top() -> None:
    seen = view(CaseState.COLLECTING, *full_records(), record(Role.DENTURE, "denture.stl"))
    built = page(seen, report())
    markers, bodies, bite, all_done = gates(built)
    assert (markers.kind, bodies.kind, bite.kind, all_done.kind) == ("may", "may", "shut", "shut")
    assert built.standing.kind == "busy"


@pytest.mark.parametrize("missing", [Role.MARKERS, Role.JAW, Role.BITE, Role.DENTURE])
def test_a_gate_never_opens_without_its_record(missing: Role) -> None:
    kept = [r for r in whole().records if r.role is not missing]
    built = page(view(CaseState.COLLECTING, *kept), report())
    shut = {Role.MARKERS: 0, Role.JAW: 1, Role.BITE: 2, Role.DENTURE: 3}[missing]
    assert gates(built)[shut].kind == "shut"


def test_a_file_nobody_named_is_asked_about_and_stops_the_sending_off() -> None:
    built = page(view(CaseState.COLLECTING, record(None, "scan_0007.stl", Measuring.NEEDS_ROLE)))
    assert [r.file_name for r in built.nameless] == ["scan_0007.stl"]
    assert not built.submit.may


def test_a_record_names_its_reason_and_a_note_leaves_it_clear() -> None:
    note = simple(
        "file/personal-data", Outcome.FAILED, Level.NOTE, "A name was found and taken out.", "bite.stl"
    )
    built = page(whole(), report(hole(), note))
    records = {
        r.file_name: r for s in built.steps if s.station for slot in s.station.slots for r in slot.records
    }
    assert records["jaw.stl"].kind == "return"
    assert records["jaw.stl"].reason_ids == (built.grave[0].id,)
    assert records["jaw.stl"].numbers[0].words == "182 400"
    assert records["bite.stl"].kind == "clear"


def test_what_changed_since_the_last_round_is_said() -> None:
    seen = view(CaseState.COLLECTING, *[r for r in whole().records if r.role is not Role.JAW], rounds=2)
    rescan = record(Role.JAW, "jaw again.stl")
    rescan.first_round, rescan.replaces = 2, "jaw-stl"
    seen = CaseView(seen.case, seen.clinic_name, seen.round, seen.rounds, (*seen.records, rescan), ())
    built = chair_page(frame(), seen, Judged(report(), {1: full_report()}, {}), Sending(1, 2), UTC)
    assert built.turns[0].number == 2
    said = [f"{change.label}: {change.words}" for change in built.turns[0].changes]
    assert "New file: jaw scan with scan bodies (jaw again.stl)" in said
    assert any(words.startswith("Cleared: A hole in the surface: 11.20 ± 0.40 mm before (") for words in said)


def test_a_case_that_is_over_offers_nothing_to_do() -> None:
    built = page(whole(state=CaseState.RELEASED), report())
    assert not built.is_open
    assert not built.submit.may
    assert built.standing.kind == "clear"


def test_the_case_is_judged_only_after_a_report() -> None:
    assert page(whole()).standing.kind == "busy"
    assert [gate.kind for gate in gates(page(whole(), None))] == ["shut"] * 4
    assert judged().report is None


def named(record_id: str, built: ChairPage) -> NamelessView:
    return next(seen for seen in built.nameless if seen.id == record_id)


def test_a_file_being_looked_at_says_so_and_may_be_named_at_once() -> None:
    asked = record(None, "scan.stl", Measuring.NEEDS_ROLE)
    built = page(view(CaseState.COLLECTING, asked))
    seen = named(asked.id, built)
    assert (built.standing.kind, seen.tag.kind, seen.likely) == ("busy", "busy", ())
    assert {option.value for option in seen.others} == {role.value for role in Role}


@pytest.mark.parametrize("likely", [[], ["before"], ["opposing", "before"]])
def test_what_its_shape_leaves_open_comes_first_and_nothing_is_missing(likely: list[str]) -> None:
    asked = record(None, "scan.stl", Measuring.NEEDS_ROLE)
    asked.likely_roles = likely
    built = page(view(CaseState.COLLECTING, asked))
    seen = named(asked.id, built)
    assert built.standing.kind == "look"
    assert [option.value for option in seen.likely] == likely
    offered = [option.value for option in (*seen.likely, *seen.others)]
    assert sorted(offered) == sorted(role.value for role in Role)


def test_a_role_filled_in_is_marked_until_a_person_says_it() -> None:
    guessed, said = record(Role.DENTURE, "scan_0001.stl"), record(Role.JAW, "scan_0002.stl")
    guessed.role_is_guessed = True
    built = page(view(CaseState.COLLECTING, guessed, said), report())
    records = {
        r.file_name: r for s in built.steps if s.station for slot in s.station.slots for r in slot.records
    }
    assert bool(records["scan_0001.stl"].guess_words) is True
    assert records["scan_0002.stl"].guess_words == ""
    assert "scan_0001.stl" in built.submit.says
    assert "scan_0002.stl" not in built.submit.says
