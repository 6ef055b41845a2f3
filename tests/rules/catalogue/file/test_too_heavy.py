from __future__ import annotations

from server.measures.extent import EXTENT
from server.measures.reading import READING
from server.rules.catalogue.file.too_heavy import RULE
from server.rules.catalogue.file.unreadable import RULE as UNREADABLE
from server.rules.limit import Level, Outcome
from tests.rules.files import good_record, of
from tests.rules.good_set import ask_one, given_up, record
from tests.rules.refusing import answers_for_its_own_causes_alone


def test_it_answers_for_its_own_causes_alone() -> None:
    answers_for_its_own_causes_alone(RULE)


def test_a_measure_given_up_for_its_weight_is_returned() -> None:
    finding = ask_one(RULE, of(good_record(given_up(EXTENT, RULE.id))))
    assert (finding.outcome, finding.level, finding.remedy) == (Outcome.FAILED, Level.RETURN, RULE.remedy)


def test_a_measure_given_up_for_another_cause_is_not_heavy() -> None:
    assert ask_one(RULE, of(good_record(given_up(EXTENT, "file/unit-doubtful")))).outcome is Outcome.PASSED


def test_a_reading_given_up_for_its_weight_is_returned_and_others_name_it() -> None:
    heavy = record(given_up(READING, RULE.id))
    assert ask_one(RULE, of(heavy)).level is Level.RETURN
    finding = ask_one(UNREADABLE, of(heavy))
    assert (finding.outcome, finding.level, finding.because) == (Outcome.NOT_MEASURED, Level.LOOK, RULE.id)


def test_a_file_not_measured_yet_is_not_heavy() -> None:
    finding = ask_one(RULE, of(record()))
    assert (finding.outcome, finding.level) == (Outcome.NOT_MEASURED, Level.NOTE)
