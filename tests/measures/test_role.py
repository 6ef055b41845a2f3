from __future__ import annotations

import pytest

from server.measures.role import ROLE, WHAT_SHOWS, RoleResult
from server.metrology.likeness.look import Look
from server.metrology.scan import Scan
from server.records.roles import Role, Unit
from tests.measures.files import TABLE, bench
from tests.metrology.likeness.arches import along_the_bow, band, post, ridge, slab, with_posts
from tests.metrology.readers.mesh_files import corners_of, stl
from tests.metrology.shapes import joined, moved, turned

SHAPES = {
    Role.JAW: with_posts(5),
    Role.DENTURE: slab(),
    Role.BITE: band(),
    Role.MARKERS: joined(*along_the_bow(5, post())),
    Role.OPPOSING: ridge(crowns=14),
    Role.TISSUE: ridge(),
}


def told(scan: Scan, role: Role = Role.BEFORE, unit: Unit = Unit.MM, size: float = 1.0) -> RoleResult:
    on = bench(stl(corners_of(scan.vertices * size, scan.faces)), role=role, unit=unit)
    on.run([ROLE], {})
    return on.result(ROLE)


@pytest.mark.parametrize("role", SHAPES, ids=lambda role: role.value)
def test_the_likeliest_role_is_the_right_one_whatever_it_is_filed_as(role: Role) -> None:
    seen = told(moved(SHAPES[role]))
    assert seen.roles[0].role is role
    assert seen.is_look_sure
    assert sum(share.belief_ratio for share in seen.roles) == pytest.approx(1.0)
    assert seen == told(moved(SHAPES[role]), role=Role.MARKERS)


@pytest.mark.parametrize("role", [Role.JAW, Role.DENTURE, Role.BITE, Role.MARKERS])
def test_what_no_other_role_looks_like_is_sure(role: Role) -> None:
    seen = told(SHAPES[role])
    assert (seen.is_sure, seen.among) == (True, (role,))


def test_two_jaws_with_teeth_or_without_cannot_be_told_apart() -> None:
    teeth, bare = told(SHAPES[Role.OPPOSING]), told(SHAPES[Role.TISSUE])
    assert (teeth.is_sure, teeth.among) == (False, (Role.OPPOSING, Role.BEFORE))
    assert (bare.is_sure, bare.among) == (False, (Role.TISSUE, Role.OPPOSING, Role.BEFORE))


def test_a_scan_inside_out_and_in_inches_of_unknown_unit_is_told_as_well() -> None:
    seen = told(turned(SHAPES[Role.JAW]), unit=Unit.UNKNOWN, size=1.0 / 25.4)
    assert (seen.roles[0].role, seen.is_sure) == (Role.JAW, True)


def test_what_is_out_of_the_question_gives_its_share_to_the_others() -> None:
    left = told(SHAPES[Role.TISSUE]).without(frozenset({Role.OPPOSING}))
    assert left[0].role is Role.TISSUE
    # of the arch, 0.74 of 0.75 once an opposing jaw is out; a few hundredths are left to other looks
    assert 0.95 < left[0].belief_ratio < 0.74 / 0.75
    everything = frozenset(Role)
    seen = told(SHAPES[Role.TISSUE])
    assert seen.without(everything) == seen.roles


def test_the_kept_measurement_serves_every_role_of_surfaces() -> None:
    assert ROLE.key("a" * 64, Unit.MM, Role.TISSUE) == ROLE.key("a" * 64, Unit.MM, Role.OPPOSING)


def test_a_table_has_no_shape() -> None:
    made = bench(TABLE, "m.csv", Role.MARKERS).run([ROLE], {})
    assert [(m.status.value, m.because) for m in made] == [("not_measured", None)]


def test_beliefs_of_every_look_make_one() -> None:
    assert set(WHAT_SHOWS) == set(Look)
    assert all(sum(shares.values()) == pytest.approx(1.0) for shares in WHAT_SHOWS.values())
