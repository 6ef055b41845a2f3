from __future__ import annotations

from dataclasses import replace

import pytest

from server.measures.facing import FACING
from server.measures.frames import JOINT, JointResult
from server.measures.relation import Came
from server.metrology.bite.meeting import Jaws
from server.records.roles import Role
from server.rules.catalogue.bite.missing import RULE
from server.rules.evidence import CaseEvidence
from server.rules.finding import Finding
from server.rules.limit import Level, Outcome
from tests.rules.good_set import ask_one, case, form, measured, record, records
from tests.rules.joined import joined, link, placed
from tests.rules.standing import of_case
from tests.rules.surfaces import facing

LOST = placed("opposing", "it does not lie on the bite scan in any way")


def with_jaws(of: CaseEvidence, jaws: Jaws | None, *, without: str = "") -> CaseEvidence:
    told = of.result(JOINT)
    changed = JointResult(root=told.root, records=told.records, links=told.links, jaws=jaws)
    return CaseEvidence(
        form=form(records=records(without=without)),
        records=tuple(r for r in of.records if r.role.value != without),
        now=of.now,
        measurements={**of.measurements, JOINT.name: of_case(JOINT, changed)},
    )


def test_an_opposing_jaw_in_its_place_is_a_bite() -> None:
    found = ask_one(RULE, joined(link("bite-1", "opposing")))
    assert (found.outcome, found.level) == (Outcome.PASSED, Level.CLEAR)
    assert "frame" in found.says


@pytest.mark.parametrize(
    ("jaws", "words"),
    [
        (Jaws.SAME_WAY, "same way"),
        (Jaws.INSIDE, "inside each other"),
        (Jaws.APART, "do not meet"),
        (None, "Neither"),
    ],
)
def test_without_bite_scan_and_delivered_relation_it_goes_back(jaws: Jaws | None, words: str) -> None:
    found = ask_one(RULE, with_jaws(joined(records=(LOST,)), jaws, without="bite"))
    assert (found.outcome, found.level) == (Outcome.FAILED, Level.RETURN)
    assert words in found.says


def test_two_jaws_alone_without_anything_to_compare_have_no_bite() -> None:
    assert ask_one(RULE, case(records=records(without="bite"))).level is Level.RETURN


def lost(*came: Came) -> Finding:
    """One bite scan that lies on the denture, and came to the opposing jaw so."""
    links = [link("bite-1", "denture"), *(link("bite-1", "opposing", c) for c in came)]
    return ask_one(RULE, joined(*links, records=(LOST,)))


def test_a_bite_scan_that_does_not_fit_is_named_by_its_own_rule() -> None:
    found = lost(Came.NOT)
    assert (found.outcome, found.level, found.because) == (
        Outcome.NOT_MEASURED,
        Level.LOOK,
        "bite/scan-disagrees",
    )


def test_an_opposing_jaw_on_which_no_bite_scan_lies_goes_back() -> None:
    links = [
        link(f"bite-{k}", jaw, came)
        for k in (1, 2)
        for jaw, came in (("denture", Came.DELIVERED), ("opposing", Came.NOT))
    ]
    of = joined(*links, records=(LOST,))
    second = record(measured(FACING, facing()), role=Role.BITE, file="bite-2.stl")
    found = ask_one(RULE, replace(of, records=(*of.records, second)))
    assert (found.outcome, found.level) == (Outcome.FAILED, Level.RETURN)
    assert "none of the bite scans" in found.says


def test_bite_scans_of_a_denture_that_was_not_scanned_relate_nothing() -> None:
    of = joined(link("bite-1", "jaw", Came.NOT), link("bite-1", "opposing"), records=(LOST,))
    bare = replace(of, records=tuple(r for r in of.records if r.role is not Role.DENTURE))
    assert ask_one(RULE, bare).level is Level.RETURN


def test_without_an_opposing_jaw_there_is_nothing_to_relate() -> None:
    assert ask_one(RULE, case(records=records(without="opposing"))).outcome is Outcome.NOT_APPLICABLE
