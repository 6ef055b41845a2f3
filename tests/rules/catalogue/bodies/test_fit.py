from __future__ import annotations

import pytest

from server.rules.catalogue.bodies.fit import RULE
from server.rules.limit import Level, Outcome
from tests.rules.good_set import ask
from tests.rules.standing import seen, standing


@pytest.mark.parametrize(
    ("rms_mm", "ends"),
    [
        (0.038, (Outcome.PASSED, Level.CLEAR)),
        (0.040, (Outcome.DOUBTFUL, Level.LOOK)),
        (0.060, (Outcome.FAILED, Level.LOOK)),
        (0.090, (Outcome.FAILED, Level.RETURN)),
    ],
)
def test_the_scatter_about_the_reference_decides(rms_mm: float, ends: tuple[Outcome, Level]) -> None:
    first, *others = ask(RULE, standing(seen(0, rms_mm=rms_mm), seen(1)))
    assert (first.outcome, first.level) == ends
    assert first.sites == ("36",)
    assert all(f.outcome is Outcome.PASSED for f in others)


def test_a_scan_without_bodies_has_nothing_to_fit() -> None:
    evidence = standing(seen(0))
    jaw = evidence.records[0].measurements["bodies.found"]
    assert jaw.result is not None
    jaw.result["bodies"] = []
    (found,) = ask(RULE, evidence)
    assert found.outcome is Outcome.NOT_APPLICABLE
