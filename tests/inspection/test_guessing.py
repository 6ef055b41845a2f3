"""Files that came without a role: what is sure is filled in and marked, the rest is asked, and a person's word stands."""

from __future__ import annotations

import io
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest
from PIL import Image

from server.accounts.work import writing
from server.cases.changing import change_form, change_record
from server.cases.jobs import GUESS_ROLE, JUDGE_CASE, MEASURE_RECORD
from server.cases.tables import Measuring, Record
from server.cases.turns import submit, withdraw
from server.inspection.child import ChildDied, ChildFailed, ChildTimedOut
from server.inspection.guessing import guess_of, guess_one
from server.measures.measure import Measurement
from server.measures.role import ROLE
from server.metrology.scan import Scan
from server.records.case_form import CaseForm, OpposingDentition
from server.records.roles import Role, Unit
from tests.measures.files import TABLE, bench
from tests.metrology.likeness.arches import along_the_bow, band, post, ridge, slab, with_posts
from tests.metrology.readers.mesh_files import corners_of, stl
from tests.metrology.shapes import joined
from tests.portal.house import CLINIC, House, here, open_house
from tests.rules.good_set import GOOD_FORM

Made = tuple[Measurement, ...]


def file_of(scan: Scan) -> bytes:
    return stl(corners_of(scan.vertices, scan.faces))


def picture() -> bytes:
    held = io.BytesIO()
    Image.new("RGB", (8, 6), (120, 60, 60)).save(held, "PNG")
    return held.getvalue()


JAW, DENTURE, TEETH, BARE = (
    file_of(with_posts(5)),
    file_of(slab()),
    file_of(ridge(crowns=14)),
    file_of(ridge()),
)
SURE = {
    Role.JAW: JAW,
    Role.DENTURE: DENTURE,
    Role.BITE: file_of(band()),
    Role.MARKERS: file_of(joined(*along_the_bow(5, post()))),
}


@pytest.fixture
def house(tmp_path: Path) -> Iterator[House]:
    made = open_house(tmp_path)
    yield made
    made.portal.database.close()


def arrives(house: House, data: bytes, name: str = "scan_0007.stl", case_id: str = "") -> str:
    return house.record(case_id or house.case(), data, None, name)


def never(*_: object) -> Made:
    raise AssertionError("nothing is to be looked at")


def says(house: House, record_id: str, role: Role | None, unit: Unit | None = None) -> Record:
    with writing(house.portal, house.actors[CLINIC]) as work:
        return change_record(work, record_id, role=role, unit=unit)


@pytest.mark.parametrize("role", SURE, ids=lambda role: role.value)
def test_what_is_sure_is_filled_in_marked_and_measured(house: House, role: Role) -> None:
    record_id = arrives(house, SURE[role])
    ran = [name for name, _ in house.work_off()]
    assert ran[:3] == [GUESS_ROLE.name, MEASURE_RECORD.name, JUDGE_CASE.name]
    seen = house.get(record_id)
    assert (seen.role, seen.role_is_guessed, seen.measuring) == (role, True, Measuring.MEASURED)
    assert seen.likely_roles is not None
    assert seen.likely_roles[0] == role.value


def test_a_picture_and_a_table_are_told_by_their_content(house: House) -> None:
    photo, table = arrives(house, picture(), "IMG_1.stl"), arrives(house, TABLE, "export.stl")
    house.work_off()
    assert [house.get(r).role for r in (photo, table)] == [Role.PHOTO, Role.MARKERS]


def test_of_jaws_that_look_alike_a_person_chooses_the_likely_ones_first(house: House) -> None:
    record_id = arrives(house, TEETH)
    house.work_off()
    seen = house.get(record_id)
    assert (seen.role, seen.role_is_guessed, seen.measuring) == (None, False, Measuring.NEEDS_ROLE)
    assert seen.likely_roles == ["opposing", "before"]
    said = says(house, record_id, Role.BEFORE)
    assert (said.role, said.role_is_guessed, said.likely_roles) == (Role.BEFORE, False, None)


@pytest.mark.parametrize(
    ("opposing", "role"),
    [("natural", Role.TISSUE), ("denture", Role.TISSUE), ("edentulous", None), (None, None)],
)
def test_the_form_says_which_of_two_bare_jaws_it_can_be(
    house: House, opposing: str | None, role: Role | None
) -> None:
    case_id = house.case()
    form = {name: value for name, value in GOOD_FORM.items() if name not in ("records", "opposing_dentition")}
    with writing(house.portal, house.actors[CLINIC]) as work:
        more = {"opposing_dentition": opposing} if opposing else {}
        change_form(work, case_id, CaseForm.model_validate({**form, "records": [], **more}))
    record_id = arrives(house, BARE, case_id=case_id)
    house.work_off()
    assert house.get(record_id).role is role


def test_against_a_jaw_without_teeth_teeth_are_from_before() -> None:
    made = tuple(bench(TEETH).run([ROLE], {}))
    assert guess_of(made, OpposingDentition.EDENTULOUS).roles[0] is Role.BEFORE
    assert guess_of(made, OpposingDentition.NATURAL).roles == (Role.OPPOSING, Role.BEFORE)


@pytest.mark.parametrize("data", [b"solid x\nfacet nor", b"", b"\0" * 300], ids=["cut", "empty", "zeros"])
def test_a_file_that_cannot_be_read_is_asked_about_as_before(house: House, data: bytes) -> None:
    record_id = arrives(house, data)
    house.work_off()
    seen = house.get(record_id)
    assert (seen.role, seen.likely_roles, seen.measuring) == (None, [], Measuring.NEEDS_ROLE)


def test_a_role_that_was_said_is_never_looked_at(house: House) -> None:
    record_id = house.record(house.case(), DENTURE, Role.JAW)
    assert GUESS_ROLE.name not in [name for name, _ in house.work_off()]
    guess_one(house.portal, never, record_id)
    seen = house.get(record_id)
    assert (seen.role, seen.role_is_guessed) == (Role.JAW, False)


def test_what_a_person_says_while_it_is_being_looked_at_stands(house: House) -> None:
    record_id = arrives(house, DENTURE)

    def meanwhile(function: Callable[..., Made], *arguments: object) -> Made:
        says(house, record_id, Role.TISSUE)
        return here(function, *arguments)

    guess_one(house.portal, meanwhile, record_id)
    seen = house.get(record_id)
    assert (seen.role, seen.role_is_guessed, seen.likely_roles) == (Role.TISSUE, False, None)


def test_looking_twice_changes_nothing(house: House) -> None:
    record_id = arrives(house, TEETH)
    house.work_off()
    before = house.get(record_id).model_dump()
    guess_one(house.portal, never, record_id)
    assert house.get(record_id).model_dump() == before
    assert house.waiting.jobs == []


def test_the_mark_goes_when_a_person_confirms_and_nothing_is_measured_again(house: House) -> None:
    record_id = arrives(house, DENTURE)
    house.work_off()
    said = says(house, record_id, Role.DENTURE)
    assert (said.role, said.role_is_guessed, said.measuring) == (Role.DENTURE, False, Measuring.MEASURED)
    assert house.waiting.jobs == []


def test_the_mark_goes_when_a_person_says_another_role_and_stays_with_another_unit(house: House) -> None:
    record_id = arrives(house, DENTURE)
    house.work_off()
    assert says(house, record_id, None, Unit.CM).role_is_guessed
    said = says(house, record_id, Role.OPPOSING)
    assert (said.role, said.role_is_guessed, said.measuring) == (Role.OPPOSING, False, Measuring.WAITING)


def test_a_confirmation_after_sending_opens_no_round(house: House) -> None:
    case_id = house.case()
    record_id = arrives(house, DENTURE, case_id=case_id)
    house.work_off()
    with writing(house.portal, house.actors[CLINIC]) as work:
        submit(work, case_id)
    said = says(house, record_id, Role.DENTURE)
    assert (said.id, said.role_is_guessed) == (record_id, False)
    assert house.get_case(case_id).round_number == 1


def test_a_case_withdrawn_meanwhile_stays_as_it_is(house: House) -> None:
    record_id = arrives(house, DENTURE)

    def withdrawn(function: Callable[..., Made], *arguments: object) -> Made:
        with writing(house.portal, house.actors[CLINIC]) as work:
            withdraw(work, house.get(record_id).case_id)
        return here(function, *arguments)

    guess_one(house.portal, withdrawn, record_id)
    assert house.get(record_id).role is None


def test_a_record_that_is_gone_is_left_alone(house: House) -> None:
    guess_one(house.portal, never, "no-such-record")


def test_a_file_that_costs_two_children_their_lives_is_asked_about(house: House) -> None:
    record_id = arrives(house, DENTURE)
    asked: list[object] = []

    def dying(*arguments: object) -> Made:
        asked.append(arguments)
        raise ChildDied("gone")

    guess_one(house.portal, dying, record_id)
    assert len(asked) == 2
    assert (house.get(record_id).role, house.get(record_id).likely_roles) == (None, [])


def test_one_death_is_forgiven_and_slowness_is_not_tried_again(house: House) -> None:
    first, second = arrives(house, DENTURE), arrives(house, JAW)
    faults: list[Exception] = [ChildDied("gone")]

    def once(function: Callable[..., Made], *arguments: object) -> Made:
        if faults:
            raise faults.pop()
        return here(function, *arguments)

    guess_one(house.portal, once, first)
    assert house.get(first).role is Role.DENTURE
    faults.append(ChildTimedOut("too slow"))
    guess_one(house.portal, once, second)
    assert house.get(second).likely_roles == []


def test_where_looking_breaks_a_person_is_asked(house: House) -> None:
    record_id = arrives(house, DENTURE)

    def broken(*_: object) -> Made:
        raise ChildFailed("ValueError", "boom")

    house.work_off(broken)
    seen = house.get(record_id)
    assert (seen.role, seen.likely_roles, seen.measuring) == (None, [], Measuring.NEEDS_ROLE)


def test_what_was_seen_is_kept_and_not_measured_again(house: House) -> None:
    record_id = arrives(house, DENTURE)
    house.work_off()
    kept = {m.key for m in house.measurements() if m.about == house.get(record_id).sha256}
    assert ROLE.key(house.get(record_id).sha256, Unit.MM, Role.DENTURE) in kept
