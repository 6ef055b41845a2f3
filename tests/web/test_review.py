from __future__ import annotations

from zoneinfo import ZoneInfo

import numpy as np

from server.cases.tables import CaseState, Measuring
from server.inspection.report import Report
from server.measures.frames import JointResult, Placed
from server.measures.relation import rows_of
from server.records.roles import Role
from server.rules.limit import Level, Outcome
from server.rules.wording import sentence
from server.web.pages.chair.build import Judged
from server.web.pages.parts import Room
from server.web.pages.reasons import anchor_of
from server.web.pages.review.build import review_page
from server.web.pages.review.facts import place_of
from server.web.pages.review.message import MAX_LENGTH, drafted_return
from server.web.pages.review.page import ReviewPage
from tests.web.invented import NOW, answered, frame, full_records, full_report, hole, report, simple, view

UTC = ZoneInfo("UTC")


def page(
    found: Report | None, waived: dict[str, str] | None = None, state: CaseState = CaseState.WITH_LAB
) -> ReviewPage:
    done = [r for r in full_records() if r.measuring is Measuring.MEASURED]
    return review_page(frame(Room.DESK), view(state, *done), Judged(found, {}, waived or {}), NOW, UTC)


def test_every_answer_is_in_the_table_the_gravest_first() -> None:
    built = page(full_report())
    assert [row.rule for row in built.found] == ["surface/hole", "markers/missing", "form/unattested"]
    assert [row.rule for row in built.passed] == [
        "vertical/changed",
        "round/same-as-before",
        *(f.rule for f in answered()),
    ]


def test_checks_that_lack_one_thing_stand_under_it_once_with_all_their_sites() -> None:
    lacking = "No body catalogue is at hand."
    silent = [
        simple(rule, Outcome.NOT_MEASURED, Level.NOTE, lacking).model_copy(
            update={"sites": (tooth,), "site_index": (i,)}
        )
        for rule in ("bodies/fit", "bodies/coverage")
        for i, tooth in enumerate(("34", "44"))
    ]
    built = page(report(*silent))
    assert not [row for row in built.found if row.rule.startswith("bodies/")]
    (under,) = [silence for silence in built.unmeasured if silence.says == lacking]
    assert [(check.rule, check.about) for check in under.checks] == [
        ("bodies/fit", "site 34, 44"),
        ("bodies/coverage", "site 34, 44"),
    ]


def test_what_could_not_be_measured_and_needs_a_look_stays_in_the_table_too() -> None:
    asked = simple("bodies/fit", Outcome.NOT_MEASURED, Level.LOOK, "There is no body.")
    built = page(report(asked))
    assert [row.rule for row in built.found] == ["bodies/fit"]
    assert any(check.rule == "bodies/fit" for silence in built.unmeasured for check in silence.checks)


def test_what_stands_against_a_release_is_counted() -> None:
    built = page(full_report())
    assert not built.releasing.may
    assert "2 findings" in built.releasing.says
    markers = full_report().findings[1]
    assert page(full_report(), {anchor_of(hole()): "x", anchor_of(markers): "y"}).releasing.may


def test_a_return_level_finding_asks_for_the_prescribers_consent() -> None:
    rows = {row.rule: row for row in page(full_report()).found}
    assert rows["surface/hole"].may_waive
    assert rows["surface/hole"].waive_asks
    assert rows["markers/missing"].waive_asks == ""
    assert not rows["form/unattested"].may_waive


def test_nothing_can_be_decided_before_it_is_the_labs_turn() -> None:
    built = page(full_report(), state=CaseState.COLLECTING)
    assert not built.returning.may
    assert not built.releasing.may
    assert not any(row.may_waive for row in built.found)


def test_nothing_is_released_unmeasured() -> None:
    assert not page(None).releasing.may


def test_records_show_their_digest() -> None:
    assert all(len(row.sha256) == 64 for row in page(full_report()).records)
    hrefs = {row.file_name: row.href for row in page(full_report()).records}
    assert hrefs["jaw.stl"] == "/cases/case1/records/jaw-stl/file"


def test_records_stand_in_the_order_of_their_roles() -> None:
    shown = [row.role for row in page(full_report()).records if row.role != "Role not said"]
    order = [sentence(role.words) for role in Role]
    assert shown == sorted(shown, key=order.index)


def test_the_drafted_return_says_what_why_and_how_in_order() -> None:
    look = simple("markers/missing", Outcome.FAILED, Level.LOOK, "No implant positions were given.")
    draft = drafted_return("R-1042", [look, hole()], {"jaw.stl": Role.JAW})
    what, how, also = (
        draft.index(t)
        for t in ("Jaw scan with scan bodies: an opening", "Dry the area", "no implant positions")
    )
    assert 0 < what < how < also


def test_the_drafted_return_fits_into_a_message() -> None:
    many = [hole(value=10 + i) for i in range(200)]
    assert len(drafted_return("R-1042", many, {"jaw.stl": Role.JAW})) <= MAX_LENGTH + 2


def test_a_draft_without_a_reason_leaves_the_words_to_the_lab() -> None:
    assert "Write here" in drafted_return("", list(report().findings), {})


def test_a_records_place_in_the_joint_frame_is_said() -> None:
    still = rows_of(np.eye(4))
    joint = JointResult(
        root="jaw.stl",
        records=(
            Placed(file="jaw.stl", T_root_record=still),
            Placed(file="denture.stl", T_root_record=still, is_delivered=True, u95_mm=0.061),
            Placed(file="opposing.stl", T_root_record=still, via=("bite-l.stl", "bite-r.stl"), u95_mm=0.08),
            Placed(file="tissue.stl", says="it does not lie on the jaw in any way"),
        ),
        links=(),
    )
    measured = {"frames.joint": {"status": "measured", **joint.model_dump(mode="json")}}
    told = full_report().model_copy(update={"measures": measured})
    roles = {f"{r.value}.stl": r for r in (Role.JAW, Role.DENTURE, Role.OPPOSING, Role.TISSUE)}
    roles |= {"bite-l.stl": Role.BITE, "bite-r.stl": Role.BITE}
    assert place_of("jaw.stl", told, roles) == "The joint frame is this one’s."
    assert "delivered" in place_of("denture.stl", told, roles)
    assert "± 0.06 mm" in place_of("denture.stl", told, roles)
    assert place_of("opposing.stl", told, roles).count(Role.BITE.words) == 1
    assert "does not lie on the jaw" in place_of("tissue.stl", told, roles)
    assert place_of("photo.png", told, roles) == ""
    assert place_of("jaw.stl", None, roles) == ""


def test_a_role_that_nobody_has_said_is_marked() -> None:
    guessed, *said = [r for r in full_records() if r.measuring is Measuring.MEASURED]
    guessed.role_is_guessed = True
    built = review_page(
        frame(Room.DESK), view(CaseState.WITH_LAB, guessed, *said), Judged(full_report(), {}, {}), NOW, UTC
    )
    assert [row.file_name for row in built.records if row.guess_words] == [guessed.file_name]
