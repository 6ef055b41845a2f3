from __future__ import annotations

import pytest

from server.rules.catalogue.file.far_origin import RULE
from server.rules.limit import Level, Outcome
from tests.rules.files import extent, good_record, of, refused
from tests.rules.good_set import ask_one, troubled


@pytest.mark.parametrize(
    ("step_mm", "outcome", "level"),
    [
        (2.0**-19, Outcome.PASSED, Level.CLEAR),
        (2.0**-7, Outcome.PASSED, Level.CLEAR),
        (2.0**-6, Outcome.FAILED, Level.LOOK),
        (2.0**-5, Outcome.FAILED, Level.LOOK),
        (2.0**-4, Outcome.FAILED, Level.RETURN),
    ],
)
def test_the_step_decides(step_mm: float, outcome: Outcome, level: Level) -> None:
    """2^-7 mm is the step of 32-bit floats from 65.5 to 131 m; 2^-4 mm that beyond 524 m."""
    far = of(good_record(extent(step_mm=step_mm)))
    finding = ask_one(RULE, far)
    assert (finding.value, finding.outcome, finding.level) == (step_mm, outcome, level)
    assert finding.where[0].point_mm == (0.0, 2.0, 1.0)
    assert troubled(far) == ({RULE.id} if level is not Level.CLEAR else set())


def test_a_refused_file_is_left_to_the_rule_that_refused_it() -> None:
    assert ask_one(RULE, of(refused("file/truncated"))).because == "file/truncated"
