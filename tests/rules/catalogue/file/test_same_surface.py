from __future__ import annotations

import pytest

from server.measures.sketch import SKETCH
from server.records.roles import Role
from server.rules.catalogue.file.same_surface import RULE
from server.rules.finding import Finding
from server.rules.limit import Level, Outcome
from tests.rules.good_set import ask, given_up, record
from tests.rules.likes import filed, known, like, of, regular, sketched

PASSED = (Outcome.PASSED, Level.CLEAR)
LOOKED = (Outcome.FAILED, Level.LOOK)
DOUBTED = (Outcome.DOUBTFUL, Level.LOOK)
NOTED = (Outcome.FAILED, Level.NOTE)
OTHERS = (Role.TISSUE, Role.DENTURE, Role.OPPOSING, Role.BITE, Role.BEFORE)


def last(found: tuple[Finding, ...]) -> tuple[Outcome, Level]:
    return found[-1].outcome, found[-1].level


def test_scans_of_different_surfaces_pass_and_the_first_has_nothing_before_it() -> None:
    found = ask(
        RULE, of(filed(Role.JAW, like(1)), filed(Role.TISSUE, like(2)), filed(Role.OPPOSING, like(3)))
    )
    assert [f.outcome for f in found] == [Outcome.NOT_APPLICABLE, Outcome.PASSED, Outcome.PASSED]
    assert all(f.value is not None and f.value < 0.01 for f in found[1:])


@pytest.mark.parametrize(
    ("share", "ends"),
    [(0.85, PASSED), (0.90, DOUBTED), (0.95, LOOKED), (1.0, LOOKED)],
)
def test_the_share_decides_with_its_uncertainty(share: float, ends: tuple[Outcome, Level]) -> None:
    """The later one holds that share of the first and as much else besides, so that neither is a part of the other."""
    found = ask(RULE, of(filed(Role.JAW, like(1)), filed(Role.TISSUE, like(1, share=share, more=2))))
    assert found[-1].value == pytest.approx(share, abs=0.02)
    assert last(found) == ends


@pytest.mark.parametrize("role", OTHERS)
def test_the_same_surface_under_another_role_is_looked_at_once_and_names_both(role: Role) -> None:
    found = ask(RULE, of(filed(Role.JAW, like(1)), filed(role, like(1, is_mirrored=False, scale=1.0))))
    assert [f.level for f in found] == [Level.CLEAR, Level.LOOK]
    assert found[-1].records == (f"{role.value}.stl", "jaw.stl")


def test_scale_and_mirror_are_told() -> None:
    of_both = of(filed(Role.JAW, like(1)), filed(Role.TISSUE, like(1, is_mirrored=True, scale=25.4)))
    says = ask(RULE, of_both)[-1].says
    assert "mirrored and 25.4 times as large" in says
    assert "mirrored" not in ask(RULE, of(filed(Role.JAW, like(1)), filed(Role.TISSUE, like(1))))[-1].says


@pytest.mark.parametrize("jaw", [Role.JAW, Role.TISSUE, Role.DENTURE, Role.OPPOSING])
@pytest.mark.parametrize("is_bite_first", [False, True])
def test_a_bite_cut_out_of_a_jaw_is_a_note_and_a_whole_jaw_as_a_bite_is_looked_at(
    jaw: Role, is_bite_first: bool
) -> None:
    for share, ends in ((0.4, NOTED), (1.0, LOOKED)):
        pair = [filed(jaw, like(1)), filed(Role.BITE, like(1, share=share))]
        found = ask(RULE, of(*(reversed(pair) if is_bite_first else pair)))
        assert last(found) == ends
        assert found[-1].value is not None
        assert found[-1].value > 0.95


def test_a_jaw_cut_out_of_a_bite_is_looked_at() -> None:
    assert last(ask(RULE, of(filed(Role.BITE, like(1)), filed(Role.JAW, like(1, share=0.4))))) == LOOKED


def test_two_bites_of_one_surface_are_looked_at() -> None:
    twice = of(filed(Role.BITE, like(1)), filed(Role.BITE, like(1), file="bite-2.stl"))
    assert last(ask(RULE, twice)) == LOOKED


def test_the_opposing_jaw_may_be_the_one_from_before() -> None:
    assert last(ask(RULE, of(filed(Role.OPPOSING, like(1)), filed(Role.BEFORE, like(1))))) == NOTED


@pytest.mark.parametrize("role", [Role.TISSUE, Role.MARKERS])
def test_identical_bytes_are_looked_at_whatever_the_sketch(role: Role) -> None:
    twice = of(filed(Role.JAW, regular(), sha256="a" * 64), filed(role, regular(), sha256="a" * 64))
    found = ask(RULE, twice)
    assert last(found) == LOOKED
    assert (found[-1].value, found[-1].u95) == (1.0, 0.0)


def test_a_photo_is_nothing_to_compare_with() -> None:
    found = ask(RULE, of(filed(Role.PHOTO, sha256="a" * 64), filed(Role.JAW, like(1), sha256="a" * 64)))
    assert [f.outcome for f in found] == [Outcome.NOT_APPLICABLE]


def test_a_surface_of_another_case_is_looked_at_and_its_place_is_named_as_labelled() -> None:
    found = ask(
        RULE, of(filed(Role.JAW, like(1)), elsewhere=(known(Role.TISSUE, like(1), label="case R-7"),))
    )
    assert last(found) == LOOKED
    assert "a tissue scan of case R-7" in found[-1].says
    assert found[-1].records == ("jaw.stl",)
    assert last(ask(RULE, of(filed(Role.JAW, like(1)), elsewhere=(known(Role.JAW, like(2)),)))) == PASSED


def test_positions_of_another_case_are_known_by_their_bytes() -> None:
    markers = filed(Role.MARKERS, sha256="a" * 64)
    twin = known(Role.MARKERS, sha256="a" * 64)
    assert last(ask(RULE, of(markers, elsewhere=(twin,)))) == LOOKED
    assert last(ask(RULE, of(markers, elsewhere=(known(Role.MARKERS),)))) == PASSED


@pytest.mark.parametrize(
    ("role", "theirs", "ends"),
    [
        (Role.JAW, Role.OPPOSING, NOTED),
        (Role.OPPOSING, Role.OPPOSING, NOTED),
        (Role.BEFORE, Role.BEFORE, NOTED),
        (Role.BITE, Role.BITE, NOTED),
        (Role.JAW, Role.JAW, LOOKED),
        (Role.DENTURE, Role.DENTURE, LOOKED),
    ],
)
def test_another_case_of_the_same_patient_may_share_what_was_not_treated(
    role: Role, theirs: Role, ends: tuple[Outcome, Level]
) -> None:
    twin = known(theirs, like(1), is_same_patient=True)
    assert last(ask(RULE, of(filed(role, like(1)), elsewhere=(twin,)))) == ends
    assert last(ask(RULE, of(filed(role, like(1)), elsewhere=(known(theirs, like(1)),)))) == LOOKED


def test_an_earlier_round_is_noted_under_another_role_and_looked_at_under_the_same() -> None:
    before = known(Role.TISSUE, like(1), label="round 1", is_earlier_round=True)
    assert last(ask(RULE, of(filed(Role.JAW, like(1)), elsewhere=(before,)))) == NOTED
    assert last(ask(RULE, of(filed(Role.TISSUE, like(1)), elsewhere=(before,)))) == LOOKED


def test_the_very_file_of_an_earlier_round_is_the_same_record() -> None:
    before = known(Role.TISSUE, like(1), is_earlier_round=True, sha256="a" * 64)
    kept = filed(Role.JAW, like(1), sha256="a" * 64)
    assert last(ask(RULE, of(kept, elsewhere=(before,)))) == (Outcome.NOT_APPLICABLE, Level.CLEAR)


def test_what_a_rescan_replaces_is_left_to_the_other_rule() -> None:
    before = known(Role.JAW, like(1), is_earlier_round=True, sha256="b" * 64)
    replaced = {"jaw.stl": filed(Role.JAW, like(1), sha256="b" * 64)}
    found = ask(RULE, of(filed(Role.JAW, like(1)), elsewhere=(before,), replaced=replaced))
    assert last(found) == (Outcome.NOT_APPLICABLE, Level.CLEAR)


def test_a_regular_surface_is_not_measured() -> None:
    found = ask(RULE, of(filed(Role.JAW, like(1)), filed(Role.TISSUE, regular())))
    assert last(found) == (Outcome.NOT_MEASURED, Level.NOTE)


def test_a_refused_file_names_the_rule_that_refused_it_and_the_others_are_compared() -> None:
    lost = record(given_up(SKETCH, "file/truncated"), role=Role.TISSUE, file="tissue.stl")
    later = record(sketched(like(1)), role=Role.OPPOSING, file="opposing.stl")
    found = ask(RULE, of(filed(Role.JAW, like(1)), lost, later))
    assert [(f.outcome, f.level, f.because) for f in found[1:]] == [
        (Outcome.NOT_MEASURED, Level.LOOK, "file/truncated"),
        (Outcome.FAILED, Level.LOOK, None),
    ]
