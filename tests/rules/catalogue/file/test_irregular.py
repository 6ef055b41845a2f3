from __future__ import annotations

from server.rules.catalogue.file.irregular import RULE
from server.rules.limit import Level, Outcome
from tests.rules.files import good_record, of, reading, refused
from tests.rules.good_set import ask_one, troubled


def test_a_file_that_keeps_to_its_format_passes() -> None:
    assert ask_one(RULE, of(good_record())).outcome is Outcome.PASSED


def test_what_the_reader_noted_is_a_note() -> None:
    notes = [
        {"code": "trailing-bytes", "says": "Two bytes too many."},
        {"code": "two-solids", "says": "Two solids."},
    ]
    noted = of(good_record(reading(notes=notes)))
    finding = ask_one(RULE, noted)
    assert (finding.outcome, finding.level) == (Outcome.FAILED, Level.NOTE)
    assert all(note["says"] in finding.says for note in notes)
    assert troubled(noted) == set()


def test_a_refused_file_is_left_to_the_rule_that_refused_it() -> None:
    finding = ask_one(RULE, of(refused("file/truncated")))
    assert (finding.outcome, finding.because) == (Outcome.NOT_MEASURED, "file/truncated")
