"""What lists show of a report."""

from __future__ import annotations

from server.inspection.judgements import NOT_COMPLETE, mirror
from server.rules.finding import Finding
from server.rules.limit import Level, Outcome
from tests.web.invented import case, hole, report, simple


def missing() -> Finding:
    return simple("form/missing", Outcome.FAILED, Level.RETURN, "The denture scan has not come yet.")


def test_an_open_round_that_only_lacks_something_has_no_verdict_yet() -> None:
    shown = case(verdict="return")
    mirror(shown, report(missing()), {}, is_open=True)
    assert (shown.verdict, shown.headline, shown.open_returns) == (None, NOT_COMPLETE, 0)


def test_once_submitted_what_is_lacking_returns_it() -> None:
    shown = case()
    mirror(shown, report(missing()), {}, is_open=False)
    assert (shown.verdict, shown.open_returns, shown.lightness) == ("return", 1, 0)


def test_a_bad_scan_counts_at_once() -> None:
    shown = case()
    mirror(shown, report(missing(), hole()), {}, is_open=True)
    assert (shown.verdict, shown.open_returns) == ("return", 2)
