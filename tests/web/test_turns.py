from __future__ import annotations

from zoneinfo import ZoneInfo

from server.cases.tables import CaseState, Record
from server.inspection.report import Report
from server.records.roles import Role
from server.rules.finding import Finding
from server.rules.limit import Level, Outcome
from server.web.pages.turns import turns_of
from tests.web.invented import hole, record, report, simple, view

UTC = ZoneInfo("UTC")


def on(records: dict[str, Role], *findings: Finding) -> Report:
    kept = tuple({"file": file, "role": role.value} for file, role in records.items())
    return report(*findings).model_copy(update={"records": kept, "findings": findings})


def changes(before: Report, now: Report) -> list[tuple[str, str]]:
    """What is said of the second of two rounds."""
    seen = view(CaseState.COLLECTING, record(Role.JAW, "jaw.stl"), rounds=2)
    turn = turns_of(seen, now, {1: before}, UTC)[0]
    assert turn.number == 2
    return [(change.label, change.words) for change in turn.changes if change.label != "Kept"]


def files(before: Report | None, *records: Record) -> list[tuple[str, str]]:
    turn = turns_of(view(CaseState.COLLECTING, *records, rounds=2), None, {1: before} if before else {}, UTC)[
        0
    ]
    return [(change.label, change.words) for change in turn.changes]


def new(role: Role, name: str) -> Record:
    made = record(role, name)
    made.first_round = 2
    return made


JAW, AGAIN = {"jaw.stl": Role.JAW}, {"jaw-2.stl": Role.JAW}
PASSED = {"outcome": Outcome.PASSED, "level": Level.CLEAR, "records": ("jaw-2.stl",), "value": 1.1}


def test_what_was_cleared_is_said_with_both_values_though_the_file_is_another() -> None:
    now = on(AGAIN, hole().model_copy(update=PASSED))
    assert changes(on(JAW, hole()), now) == [
        (
            "Cleared",
            "A hole in the surface – Jaw scan with scan bodies: 11.20 ± 0.40 mm before, 1.10 ± 0.40 mm now "
            "(looked at above 3 mm, returned above 8 mm)",
        )
    ]


def test_what_stays_is_said_with_both_values_or_as_before() -> None:
    better = hole(Level.LOOK, 4.0).model_copy(update={"records": ("jaw-2.stl",)})
    (said,) = changes(on(JAW, hole()), on(AGAIN, better))
    assert said == (
        "Still there",
        "A hole in the surface – Jaw scan with scan bodies: 11.20 ± 0.40 mm before, 4.00 ± 0.40 mm now "
        "(looked at above 3 mm, returned above 8 mm)",
    )
    (said,) = changes(on(JAW, hole()), on(JAW, hole()))
    assert said[1].endswith("11.20 ± 0.40 mm, as before (looked at above 3 mm, returned above 8 mm)")


def test_what_comes_up_anew_is_said() -> None:
    found = simple("file/inside-out", Outcome.FAILED, Level.RETURN, "It is inside out.", "jaw.stl")
    ((label, words),) = changes(on(JAW), on(JAW, found))
    assert label == "Now found"
    assert words.endswith("– Jaw scan with scan bodies")


def test_what_is_no_longer_measured_is_not_called_cleared() -> None:
    silent = {"outcome": Outcome.NOT_MEASURED, "level": Level.NOTE, "value": None}
    assert changes(on(JAW, hole()), on(JAW, hole().model_copy(update=silent)))[0][0] == "No longer measured"


def test_each_file_is_kept_or_replaced_or_new_or_taken_out() -> None:
    before = on(JAW | {"left.stl": Role.BITE, "old.stl": Role.DENTURE})
    kept = record(Role.DENTURE, "old.stl")
    assert files(before, new(Role.JAW, "jaw-2.stl"), kept, new(Role.TISSUE, "skin.stl")) == [
        ("Replaced", "jaw scan with scan bodies (jaw-2.stl, before jaw.stl)"),
        ("New file", "tissue scan (skin.stl)"),
        ("Taken out", "bite scan (left.stl)"),
        ("Kept", "denture scan (old.stl)"),
    ]


def test_a_file_sent_again_under_its_name_is_replaced() -> None:
    assert files(on(JAW), new(Role.JAW, "jaw.stl"))[0][0] == "Replaced"


def test_of_several_bite_scans_those_that_do_not_pair_are_taken_out_and_new() -> None:
    before = on({"left.stl": Role.BITE})
    labels = [label for label, _ in files(before, new(Role.BITE, "a.stl"), new(Role.BITE, "b.stl"))]
    assert labels == ["New file", "New file", "Taken out"]


def test_without_a_report_of_the_round_before_nothing_is_said_to_be_gone() -> None:
    assert files(None, new(Role.JAW, "jaw-2.stl")) == [("New file", "jaw scan with scan bodies (jaw-2.stl)")]


def test_what_no_report_answers_is_not_called_cleared() -> None:
    silent = simple("surface/hole", Outcome.NOT_MEASURED, Level.NOTE, "There is no scan.")
    assert changes(on(JAW, hole()), on({}, silent))[-1][0] == "No longer measured"


def test_the_first_round_has_no_files_that_are_new() -> None:
    seen = view(CaseState.COLLECTING, record(Role.JAW, "jaw.stl"))
    (turn,) = turns_of(seen, on(JAW, hole()), {}, UTC)
    assert [change.label for change in turn.changes if change.label != "Returned"] == []
