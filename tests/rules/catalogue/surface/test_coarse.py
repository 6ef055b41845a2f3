from __future__ import annotations

from dataclasses import replace

import pytest

from server.measures.texture import TEXTURE
from server.rules.catalogue.surface.coarse import RULE
from server.rules.limit import Level, Outcome
from tests.rules.good_set import ask, ask_one, measured
from tests.rules.standing import seen, standing
from tests.rules.surfaces import judged, scan, texture, unread

PASSED = (Outcome.PASSED, Level.CLEAR)
LOOKED = (Outcome.FAILED, Level.LOOK)
DOUBTED = (Outcome.DOUBTFUL, Level.LOOK)
RETURNED = (Outcome.FAILED, Level.RETURN)


@pytest.mark.parametrize(
    ("spacing_mm", "ends"),
    [
        (0.6, PASSED),
        (0.61, LOOKED),
        (1.2, LOOKED),
        (1.21, RETURNED),
    ],
)
def test_the_median_spacing_decides(spacing_mm: float, ends: tuple[Outcome, Level]) -> None:
    value, *ended = judged(RULE, scan(texture=texture(spacing_median_mm=spacing_mm)))
    assert value == pytest.approx(spacing_mm)
    assert tuple(ended) == ends


@pytest.mark.parametrize(
    ("spacing_mm", "ends"), [(0.40, PASSED), (0.41, LOOKED), (0.70, LOOKED), (0.71, RETURNED)]
)
def test_on_the_coarsest_scan_body_the_limits_are_its_own(
    spacing_mm: float, ends: tuple[Outcome, Level]
) -> None:
    of = standing(seen(0), seen(1), seen(2, spacing_mm=spacing_mm), seen(3))
    jaw = of.records[0]
    kept = {**jaw.measurements, TEXTURE.name: measured(TEXTURE, texture(spacing_median_mm=0.3))}
    elsewhere, at_bodies = ask(RULE, replace(of, records=(replace(jaw, measurements=kept),)))
    assert elsewhere.outcome is Outcome.PASSED
    assert (at_bodies.outcome, at_bodies.level) == ends
    assert (at_bodies.value, at_bodies.site_index) == (spacing_mm, (2,))
    assert at_bodies.where[0].record == "jaw.stl"


def test_an_unread_file_names_the_rule_that_refused_it() -> None:
    found = ask_one(RULE, unread())
    assert (found.outcome, found.level, found.because) == (Outcome.NOT_MEASURED, Level.LOOK, "file/truncated")
