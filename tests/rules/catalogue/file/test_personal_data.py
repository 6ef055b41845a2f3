from __future__ import annotations

from server.records.roles import Role
from server.rules.catalogue.file.personal_data import RULE
from server.rules.limit import Level, Outcome
from tests.rules.files import good_record, of, personal, refused
from tests.rules.good_set import ask_one, record, troubled

FOUND = personal({"kind": "name", "where": "header"}, {"kind": "birth-date", "where": "comment"})


def test_plain_names_and_texts_pass() -> None:
    assert ask_one(RULE, of(good_record(file="jaw_scan_upper_2031.stl"))).outcome is Outcome.PASSED


def test_what_was_found_inside_is_a_note_that_names_the_part() -> None:
    found = of(good_record(FOUND))
    finding = ask_one(RULE, found)
    assert (finding.outcome, finding.level) == (Outcome.FAILED, Level.NOTE)
    assert "header" in finding.says
    assert "comment" in finding.says
    assert troubled(found) == set()


def test_a_file_named_after_the_patient_is_a_note_and_the_words_do_not_repeat_it() -> None:
    finding = ask_one(RULE, of(good_record(file="Marlow_Edith_1956-03-12.stl")))
    assert (finding.outcome, finding.level) == (Outcome.FAILED, Level.NOTE)
    assert not any(secret in finding.says + finding.remedy for secret in ("Marlow", "Edith", "1956"))


def test_the_name_of_a_refused_file_is_looked_at_all_the_same() -> None:
    named = refused("file/truncated")
    assert ask_one(RULE, of(named)).because == "file/truncated"
    entry = named.entry.model_copy(update={"file": "Marlow_Edith.stl"})
    renamed = type(named)(entry, named.sha256, named.measurements)
    assert ask_one(RULE, of(renamed)).outcome is Outcome.FAILED


def test_a_photo_is_judged_by_its_name_alone() -> None:
    assert ask_one(RULE, of(record(role=Role.PHOTO, file="smile.jpg"))).outcome is Outcome.PASSED
    assert ask_one(RULE, of(record(role=Role.PHOTO, file="Edith Marlow.jpg"))).outcome is Outcome.FAILED
