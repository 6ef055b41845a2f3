"""The runner, asked with rules made up for the purpose."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

import pytest

from server.records.roles import Role
from server.rules.evidence import CaseEvidence, Lacking, RecordEvidence, SiteEvidence
from server.rules.limit import Level, Limit, Outcome
from server.rules.rule import VALUE, DoesNotApply, Observation, Rule
from server.rules.sheet import ToleranceSheet
from tests.rules.good_set import ask, ask_one, case, record


def _rule(**changes: Any) -> Rule:
    made: dict[str, Any] = {"id": "made/up", "revision": 3, "title": "t", "remedy": "Do it.", "source": "s"}
    return Rule(**{**made, **changes})


def _of_case(*seen: Observation | DoesNotApply | Exception, **changes: Any) -> Rule:
    def observe(_case: CaseEvidence) -> Iterator[Observation | DoesNotApply]:
        for item in seen:
            if isinstance(item, Exception):
                raise item
            yield item

    return _rule(of_case=observe, **changes)


def test_a_broken_yes_or_no_takes_the_rules_level_the_sheets_or_its_own() -> None:
    broken = Observation("s", broken=True)
    assert ask_one(_of_case(broken, level=Level.RETURN), case()).level is Level.RETURN
    sheet = ToleranceSheet(name="own", version=1, levels={"made/up": Level.NOTE})
    assert ask_one(_of_case(broken, level=Level.RETURN), case(), sheet).level is Level.NOTE
    own = Observation("s", broken=True, level=Level.LOOK)
    assert ask_one(_of_case(own, level=Level.RETURN), case()).level is Level.LOOK


def test_a_value_is_judged_and_the_limit_kept_as_applied() -> None:
    rule = _of_case(Observation("s", value=3.0, u95=0.5), limits={VALUE: Limit(1.0, 2.0, "mm", "src")})
    finding = ask_one(rule, case())
    assert (finding.outcome, finding.level) == (Outcome.FAILED, Level.RETURN)
    assert (finding.value, finding.u95, finding.unit, finding.revision) == (3.0, 0.5, "mm", 3)
    assert finding.limit is not None
    assert (finding.limit.look, finding.limit.return_, finding.limit.source) == (1.0, 2.0, "src")
    assert finding.remedy == "Do it."


def test_what_passed_carries_no_remedy() -> None:
    assert ask_one(_of_case(Observation("s", broken=False)), case()).remedy == ""


@pytest.mark.parametrize(
    ("raised", "outcome", "level"),
    [
        (Lacking("it was not measured"), Outcome.NOT_MEASURED, Level.NOTE),
        (Lacking("it was refused", because="file/truncated"), Outcome.NOT_MEASURED, Level.LOOK),
        (Lacking("it broke", crashed=True), Outcome.CRASHED, Level.LOOK),
        (ZeroDivisionError("secret"), Outcome.CRASHED, Level.LOOK),
    ],
)
def test_what_could_not_be_measured_or_broke_is_said(
    raised: Exception, outcome: Outcome, level: Level
) -> None:
    finding = ask_one(_of_case(raised), case())
    assert (finding.outcome, finding.level) == (outcome, level)
    assert finding.because == getattr(raised, "because", None)
    assert "secret" not in finding.says


def test_a_rule_that_sees_nothing_does_not_apply() -> None:
    assert ask_one(_of_case(), case()).outcome is Outcome.NOT_APPLICABLE
    assert ask_one(_of_case(DoesNotApply("no")), case()).outcome is Outcome.NOT_APPLICABLE


def test_rules_of_records_are_asked_for_each_of_their_roles() -> None:
    def observe(of: RecordEvidence, _case: CaseEvidence) -> Iterator[Observation]:
        yield Observation("s", broken=of.file == "b.stl")

    rule = _rule(of_record=observe, roles=frozenset({Role.JAW, Role.TISSUE}))
    of = case(
        record(role=Role.JAW, file="a.stl"),
        record(role=Role.TISSUE, file="b.stl"),
        record(role=Role.BITE, file="c.stl"),
    )
    assert [(f.records, f.outcome) for f in ask(rule, of)] == [
        (("a.stl",), Outcome.PASSED),
        (("b.stl",), Outcome.FAILED),
    ]
    assert ask_one(rule, case()).outcome is Outcome.NOT_APPLICABLE


def test_one_broken_record_does_not_silence_the_others() -> None:
    def observe(of: RecordEvidence, _case: CaseEvidence) -> Iterator[Observation]:
        if of.file == "a.stl":
            raise RuntimeError
        yield Observation("s", broken=False)

    rule = _rule(of_record=observe, roles=frozenset({Role.JAW}))
    found = ask(rule, case(record(file="a.stl"), record(file="b.stl")))
    assert [f.outcome for f in found] == [Outcome.CRASHED, Outcome.PASSED]


def test_rules_of_sites_name_the_site_by_place_and_code() -> None:
    def observe(at: SiteEvidence, _case: CaseEvidence) -> Iterator[Observation]:
        yield Observation("s", broken=at.index == 2)

    found = ask(_rule(of_site=observe), case())
    assert [(f.site_index, f.sites) for f in found if f.outcome is Outcome.FAILED] == [((2,), ("43",))]
    assert len(found) == 4


def test_an_observation_is_a_value_or_a_yes_or_no() -> None:
    with pytest.raises(ValueError, match="either"):
        Observation("s")
    with pytest.raises(ValueError, match="either"):
        Observation("s", value=1.0, broken=True)


def test_a_rule_has_one_observer_and_rules_of_records_have_roles() -> None:
    with pytest.raises(ValueError, match="observer"):
        _rule()
    with pytest.raises(ValueError, match="roles"):
        _rule(of_record=lambda _r, _c: [], roles=frozenset())
