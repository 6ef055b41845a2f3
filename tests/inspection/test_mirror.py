"""What lists show of a report."""

from __future__ import annotations

from datetime import UTC, datetime

from server.inspection.judgements import ALL_ACCEPTED, NOT_COMPLETE, finding_key, lab_says, mirror
from server.inspection.report import Verdict
from server.inspection.tables import Waiver
from server.rules.finding import Finding
from server.rules.limit import Level, Outcome
from tests.web.invented import case, hole, report, simple


def missing() -> Finding:
    return simple("form/missing", Outcome.FAILED, Level.RETURN, "The denture scan has not come yet.")


def waiver(key: str) -> Waiver:
    at = datetime(2031, 5, 4, 9, 0, tzinfo=UTC)
    return Waiver(
        id="w",
        case_id="c",
        finding_key=key,
        rule="-",
        level="return",
        reason="A trial.",
        has_consent=True,
        at=at,
    )


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


def test_what_the_lab_has_accepted_is_no_longer_what_is_wrong() -> None:
    shown, told = case(), report(missing(), hole())
    keys = {f.rule: finding_key(f, told) for f in (missing(), hole())}
    accepted = {keys["surface/hole"]: waiver(keys["surface/hole"])}
    mirror(shown, told, accepted, is_open=False)
    assert shown.headline == f"{missing().says} 1 accepted by the lab."
    assert (shown.verdict, shown.open_returns) == ("return", 1)
    accepted[keys["form/missing"]] = waiver(keys["form/missing"])
    mirror(shown, told, accepted, is_open=False)
    assert (shown.headline, shown.open_returns) == (ALL_ACCEPTED, 0)


def test_of_a_look_lists_say_what_it_is_and_how_many_more() -> None:
    shown = case()
    looks = [f.model_copy(update={"level": Level.LOOK}) for f in (missing(), hole())]
    told = report(*looks).model_copy(update={"verdict": Verdict.LOOK, "says": "For the clinic."})
    mirror(shown, told, {}, is_open=False)
    assert shown.headline == f"{hole().says} 1 more."
    assert lab_says(told, []) == ALL_ACCEPTED
