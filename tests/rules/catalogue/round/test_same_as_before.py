from __future__ import annotations

import pytest

from server.measures.sketch import SKETCH, SketchResult
from server.records.roles import Role
from server.rules.catalogue.round.same_as_before import RULE
from server.rules.finding import Finding
from server.rules.limit import Level, Outcome
from tests.rules.good_set import ask_one, given_up, record
from tests.rules.likes import filed, like, of, regular

PASSED = (Outcome.PASSED, Level.CLEAR)
LOOKED = (Outcome.FAILED, Level.LOOK)
DOUBTED = (Outcome.DOUBTFUL, Level.LOOK)
NOTED = (Outcome.FAILED, Level.NOTE)
SILENT = (Outcome.NOT_APPLICABLE, Level.CLEAR)


def asked(now: SketchResult, before: SketchResult) -> Finding:
    old = filed(Role.JAW, before, file="old.stl")
    return ask_one(RULE, of(filed(Role.JAW, now), replaced={"jaw.stl": old}))


@pytest.mark.parametrize(
    ("share", "ends"),
    [(0.85, PASSED), (0.90, DOUBTED), (0.95, LOOKED)],
)
def test_the_share_of_the_new_scan_decides(share: float, ends: tuple[Outcome, Level]) -> None:
    """The old scan is that share of the new one: the rest was added to it."""
    found = asked(like(1), like(1, share=share))
    assert found.value == pytest.approx(share, abs=0.02)
    assert (found.outcome, found.level) == ends


def test_a_new_scan_passes_and_the_old_one_exported_anew_is_looked_at() -> None:
    assert (asked(like(2), like(1)).outcome, asked(like(1), like(1)).level) == (Outcome.PASSED, Level.LOOK)


def test_a_part_cut_out_of_the_old_scan_is_looked_at() -> None:
    assert asked(like(1, share=0.4), like(1)).level is Level.LOOK


@pytest.mark.parametrize("repaired", [like(1, scale=25.4), like(1, is_mirrored=True)])
def test_another_unit_or_hand_is_a_note(repaired: SketchResult) -> None:
    found = asked(repaired, like(1))
    assert (found.outcome, found.level) == NOTED


@pytest.mark.parametrize("role", [Role.JAW, Role.MARKERS])
def test_the_same_bytes_are_looked_at(role: Role) -> None:
    file = f"{role.value}.stl"
    again = of(
        filed(role, regular(), sha256="a" * 64), replaced={file: filed(role, regular(), sha256="a" * 64)}
    )
    found = ask_one(RULE, again)
    assert (found.outcome, found.level, found.value) == (*LOOKED, 1.0)


def test_a_record_kept_or_sent_for_the_first_time_is_none_of_its_business() -> None:
    found = ask_one(RULE, of(filed(Role.JAW, like(1))))
    assert (found.outcome, found.level) == SILENT


def test_what_cannot_be_known_again_is_not_compared_with() -> None:
    unread = record(given_up(SKETCH, "file/truncated"), file="old.stl")
    found = ask_one(RULE, of(filed(Role.JAW, like(1)), replaced={"jaw.stl": unread}))
    assert (found.outcome, found.level) == SILENT
    assert (asked(like(1), regular()).outcome, asked(like(1), regular()).level) == SILENT


def test_a_refused_rescan_names_the_rule() -> None:
    lost = record(given_up(SKETCH, "file/truncated"))
    found = ask_one(RULE, of(lost, replaced={"jaw.stl": filed(Role.JAW, like(1), file="old.stl")}))
    assert (found.outcome, found.level, found.because) == (Outcome.NOT_MEASURED, Level.LOOK, "file/truncated")
