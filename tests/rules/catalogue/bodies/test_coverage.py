from __future__ import annotations

import pytest

from server.rules.catalogue.bodies.coverage import RULE
from server.rules.limit import Level, Outcome
from tests.rules.good_set import ask
from tests.rules.standing import seen, standing, unmeasured


def gravest(share: float = 0.97, eighth: float = 0.95, **changes: float | None) -> tuple[Outcome, Level]:
    body = seen(0, coverage_ratio=share, by_eighth=(0.95,) * 7 + (eighth,), **changes)
    found = max(ask(RULE, standing(body)), key=lambda f: f.level.gravity)
    return found.outcome, found.level


@pytest.mark.parametrize(
    ("share", "ends"),
    [
        (0.78, (Outcome.PASSED, Level.CLEAR)),
        (0.76, (Outcome.DOUBTFUL, Level.LOOK)),
        (0.70, (Outcome.FAILED, Level.LOOK)),
        (0.51, (Outcome.DOUBTFUL, Level.LOOK)),
        (0.47, (Outcome.FAILED, Level.RETURN)),
    ],
)
def test_the_share_caught_decides(share: float, ends: tuple[Outcome, Level]) -> None:
    assert gravest(share=share) == ends


@pytest.mark.parametrize(
    ("eighth", "ends"),
    [
        (0.43, (Outcome.PASSED, Level.CLEAR)),
        (0.30, (Outcome.FAILED, Level.LOOK)),
        (0.12, (Outcome.FAILED, Level.RETURN)),
    ],
)
def test_the_weakest_eighth_decides_too(eighth: float, ends: tuple[Outcome, Level]) -> None:
    assert gravest(eighth=eighth) == ends


def test_a_flat_that_was_not_caught_is_looked_at() -> None:
    assert gravest(u95_clock_deg=None) == (Outcome.FAILED, Level.LOOK)


def test_the_finding_names_record_site_and_place() -> None:
    found = max(ask(RULE, standing(seen(0), seen(1, coverage_ratio=0.4))), key=lambda f: f.level.gravity)
    assert (found.records, found.sites) == (("jaw.stl",), ("33",))
    assert found.where[0].point_mm == (9.0, 18.0, 2.0)


def test_eighths_under_the_tissue_do_not_count() -> None:
    body = seen(0, by_eighth=(0.9,) * 6 + (None, None))
    assert all(f.outcome is Outcome.PASSED for f in ask(RULE, standing(body)))


def test_an_unread_scan_names_its_cause() -> None:
    (found,) = ask(RULE, unmeasured())
    assert (found.outcome, found.level, found.because) == (Outcome.NOT_MEASURED, Level.LOOK, "file/truncated")
