"""What holds for each rule that stands for refused files."""

from __future__ import annotations

from server.records.roles import Role
from server.rules.limit import Level, Outcome
from server.rules.rule import Rule
from tests.rules.files import good_record, of, refused
from tests.rules.good_set import ask, ask_one, troubled

REFUSING = ("file/no-triangles", "file/non-finite", "file/too-heavy", "file/truncated", "file/unreadable")


def answers_for_its_own_causes_alone(rule: Rule) -> None:
    """A good file passes; one refused for this cause fails at return with the reader's words; one refused for
    another was not measured, at look, and names that rule; a photo is looked at."""
    assert ask_one(rule, of(good_record())).outcome is Outcome.PASSED

    own = ask_one(rule, of(refused(rule.id)))
    assert (own.outcome, own.level, own.records) == (Outcome.FAILED, Level.RETURN, ("jaw.stl",))
    assert (own.says, own.remedy) == ("It is so.", "Do so.")

    for other in set(REFUSING) - {rule.id}:
        finding = ask_one(rule, of(refused(other)))
        assert (finding.outcome, finding.level, finding.because) == (Outcome.NOT_MEASURED, Level.LOOK, other)

    photo = ask_one(rule, of(refused(rule.id, role=Role.PHOTO)))
    assert (photo.outcome, photo.level) == (Outcome.FAILED, Level.LOOK)

    both = ask(rule, of(good_record(file="tissue.stl", role=Role.TISSUE), refused(rule.id)))
    assert [(f.records, f.outcome) for f in both] == [
        (("tissue.stl",), Outcome.PASSED),
        (("jaw.stl",), Outcome.FAILED),
    ]
    assert rule.id in troubled(of(refused(rule.id)))
