from __future__ import annotations

import itertools

import pytest

from server.records.numbering import fit
from server.records.teeth import Arch, Numbering
from server.rules.catalogue.form.numbering_doubtful import RULE
from server.rules.limit import Level, Outcome
from tests.rules.good_set import ask_one, case, troubled


def _of(numbering: str, arch: str | None, codes: str, planned: str | None = None) -> Outcome:
    sites = [{"tooth": code, "scan_body": "rb-60", "seat_confirmed": "radiograph"} for code in codes.split()]
    of = case(numbering=numbering, working_arch=arch, planned_teeth=planned, sites=sites)
    return ask_one(RULE, of).outcome


@pytest.mark.parametrize(
    ("numbering", "arch", "codes"),
    [
        ("fdi", "lower", "19 22 27 30"),
        ("fdi", "lower", "21 22 27 28"),
        ("fdi", "upper", "3 6 11 14"),
        ("universal", "lower", "34 36 44 46"),
        ("universal", "upper", "12 14 22 24"),
        ("fdi", "upper", "11 13 16"),
        ("universal", "upper", "11 13 16"),
        ("fdi", "lower", "31 32"),
        ("universal", None, "21 22 27 28"),
    ],
)
def test_codes_that_fit_the_other_system_are_looked_at(numbering: str, arch: str | None, codes: str) -> None:
    assert _of(numbering, arch, codes) is Outcome.FAILED


@pytest.mark.parametrize(
    ("numbering", "arch", "codes"),
    [
        ("fdi", "lower", "36 33 43 46"),
        ("fdi", "upper", "12 14 22 24"),
        ("fdi", "upper", "11 12 21 22"),
        ("universal", "upper", "3 6 11 14"),
        ("universal", "lower", "19 22 27 30"),
        ("universal", "lower", "21 22 27 28"),
        ("fdi", "lower", "19 34 44 46"),
    ],
)
def test_codes_that_fit_the_declared_system_alone_pass(numbering: str, arch: str, codes: str) -> None:
    assert _of(numbering, arch, codes) is Outcome.PASSED


def test_planned_teeth_settle_or_raise_the_doubt() -> None:
    assert _of("fdi", "upper", "11 13 16", planned="16-26") is Outcome.PASSED
    assert _of("universal", "upper", "11 13 16", planned="3-14") is Outcome.PASSED
    assert _of("universal", "lower", "", planned="36-46") is Outcome.FAILED


def test_the_level_is_look() -> None:
    of = case(numbering="universal", planned_teeth="3-14", working_arch="upper", sites=[])
    assert ask_one(RULE, of).level is Level.CLEAR
    doubtful = case(numbering="universal", planned_teeth="11-16", working_arch="upper", sites=[])
    assert ask_one(RULE, doubtful).level is Level.LOOK
    assert "form/numbering-doubtful" in troubled(doubtful)


def test_both_systems_fit_only_where_all_teeth_are_on_one_side() -> None:
    """18 codes are valid in both systems; with the jaw known, they stay ambiguous only on one side of it."""
    shared = [str(n) for n in range(1, 50) if all(fit([str(n)], system, None) for system in Numbering)]
    assert shared == [*map(str, range(11, 19)), *map(str, range(21, 29)), "31", "32"]
    for arch, pair in itertools.product(Arch, itertools.combinations(shared, 2)):
        if all(fit(pair, system, arch) for system in Numbering):
            assert set(pair) <= {"11", "12", "13", "14", "15", "16", "31", "32"}


def test_it_waits_for_the_numbering_and_says_nothing_without_codes() -> None:
    assert ask_one(RULE, case(numbering=None)).because == "form/missing"
    assert ask_one(RULE, case(planned_teeth=None, sites=[])).outcome is Outcome.NOT_APPLICABLE
