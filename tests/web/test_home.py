"""What a clinic's list says of a case."""

from __future__ import annotations

import pytest

from server.cases.tables import CaseState
from server.inspection.judgements import ALL_ACCEPTED
from server.inspection.sentence import WILL_LOOK
from server.rules.wording import clause
from server.web.pages.home.build import _next, _tag
from tests.web.invented import case


def test_that_nothing_must_be_rescanned_stands_before_what_the_lab_has_to_look_at() -> None:
    shown = case(verdict="look")
    shown.open_looks = 1
    assert _next(shown) == f"{WILL_LOOK}{clause(shown.headline)}"


def test_it_does_not_stand_before_what_the_lab_has_accepted() -> None:
    shown = case(verdict="look")
    shown.open_looks, shown.headline = 0, ALL_ACCEPTED
    assert _next(shown) == ALL_ACCEPTED


@pytest.mark.parametrize("verdict", ["clear", "look", "return", None])
def test_what_the_lab_sent_back_is_never_told_as_clear(verdict: str | None) -> None:
    shown = case(CaseState.WITH_CLINIC, verdict=verdict)
    assert _next(shown).startswith("The lab sent it back.")
    assert ("An opening" in _next(shown)) == (verdict == "return")
    assert _tag(shown).kind == ("none" if verdict is None else "return")
