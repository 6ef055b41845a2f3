from __future__ import annotations

import pytest

from server.rules.catalogue.markers.one_off import RULE
from server.rules.limit import Level, Outcome
from tests.rules.good_set import ask_one
from tests.rules.positions import pair, positions

PROVISIONAL, DEFINITIVE = {"prosthesis": "provisional"}, {"prosthesis": "definitive"}


@pytest.mark.parametrize(
    ("off_mm", "form", "ends"),
    [
        (0.08, PROVISIONAL, (Outcome.PASSED, Level.CLEAR)),
        (0.11, PROVISIONAL, (Outcome.DOUBTFUL, Level.LOOK)),
        (0.21, PROVISIONAL, (Outcome.FAILED, Level.RETURN)),
        (0.08, DEFINITIVE, (Outcome.DOUBTFUL, Level.LOOK)),
        (0.13, DEFINITIVE, (Outcome.FAILED, Level.RETURN)),
    ],
)
def test_the_named_site_is_judged_by_how_far_it_is_off(
    off_mm: float, form: dict[str, str], ends: tuple[Outcome, Level]
) -> None:
    pairs = (pair(0), pair(1, off_mm=off_mm), pair(2), pair(3))
    found = ask_one(RULE, positions(pairs=pairs, account="one site off", named=(1,), form=form))
    assert (found.outcome, found.level) == ends
    assert found.sites == ("33",)
    assert found.records == ("jaw.stl", "markers.stl")


def test_where_two_would_do_both_are_named_and_looked_at() -> None:
    found = ask_one(RULE, positions(account="one of few sites off", named=(1, 2)))
    assert (found.outcome, found.level, found.sites) == (Outcome.FAILED, Level.LOOK, ("33", "43"))
    assert "cannot be told" in found.says


@pytest.mark.parametrize("account", ["none off", "arch bent or stretched", "cannot tell"])
def test_no_site_is_named_without_cause(account: str) -> None:
    found = ask_one(RULE, positions(account=account))
    assert (found.outcome, found.sites) == (Outcome.PASSED, ())


def test_with_three_sites_nothing_is_said() -> None:
    assert ask_one(RULE, positions(account="")).outcome is Outcome.NOT_MEASURED
