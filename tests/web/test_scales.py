from __future__ import annotations

import math

import pytest

from server.rules.finding import LimitApplied
from server.rules.numbers import figure, limit_words, measured
from server.web.pages.scales import WIDTH, scale_of


def limit(look: float, back: float, sense: str = "upper") -> LimitApplied:
    return LimitApplied(look=look, return_=back, source="invented", sense=sense)


@pytest.mark.parametrize(
    ("value", "u95", "written"),
    [
        (0.2134, 0.02, "0.213"),
        (11.2, 0.4, "11.20"),
        (62.0, 1.0, "62.0"),
        (182_400.0, None, "182 400"),
        (0.0, None, "0"),
        (0.01234, None, "0.0123"),
        (3.50, None, "3.5"),
        (-0.25, None, "-0.25"),
    ],
)
def test_a_number_is_written_to_the_place_its_uncertainty_reaches(
    value: float, u95: float | None, written: str
) -> None:
    assert figure(value, u95) == written


def test_value_and_limit_in_words() -> None:
    assert measured(0.21, 0.02, "mm") == "0.210 ± 0.020 mm"
    assert measured(4.0, None, "files") == "4 files"
    assert limit_words(limit(0.1, 0.15), "mm") == "looked at above 0.1 mm, returned above 0.15 mm"
    assert limit_words(limit(7.5, 6.0, "lower"), "mm") == "looked at below 7.5 mm, returned below 6 mm"
    assert limit_words(limit(0.9, math.inf), "") == "looked at above 0.9"
    assert limit_words(limit(2, 2), "") == "returned above 2"


def test_the_zones_lie_in_the_order_of_the_limit() -> None:
    upper = scale_of(0.05, 0.01, "mm", limit(0.1, 0.15))
    lower = scale_of(9.0, 0.3, "mm", limit(7.5, 6.0, "lower"))
    assert [zone.kind for zone in upper.zones] == ["within", "look", "beyond"]
    assert [zone.kind for zone in lower.zones] == ["beyond", "look", "within"]
    assert [zone.kind for zone in scale_of(1, None, "", limit(0.9, math.inf)).zones] == ["within", "look"]


@pytest.mark.parametrize(("value", "zone"), [(0.05, 0), (0.12, 1), (0.2, 2)])
def test_the_value_stands_in_its_zone(value: float, zone: int) -> None:
    view = scale_of(value, 0.01, "mm", limit(0.1, 0.15))
    own = view.zones[zone]
    assert own.x < view.value_x < own.x + own.width
    assert view.doubt is not None
    assert view.doubt.from_x < view.value_x < view.doubt.to_x


def test_what_is_far_beyond_is_drawn_at_the_end_with_an_arrow() -> None:
    view = scale_of(5200, None, "", limit(50, 500))
    assert view.is_off_scale
    assert view.doubt is None
    assert 300 < view.value_x <= WIDTH


@pytest.mark.parametrize("value", [-3.0, 0.0, 1e-6, 0.1, 7.0, 1e9])
@pytest.mark.parametrize("sense", ["upper", "lower"])
def test_nothing_is_drawn_outside_the_figure(value: float, sense: str) -> None:
    bounds = (0.1, 0.15) if sense == "upper" else (0.15, 0.1)
    view = scale_of(value, 0.05, "mm", limit(*bounds, sense))
    drawn = [view.value_x, *(zone.x for zone in view.zones), *(zone.x + zone.width for zone in view.zones)]
    drawn += [x for zone in view.zones for x in zone.marks] + [bound.x for bound in view.bounds]
    assert all(0 <= x <= WIDTH for x in drawn)
    assert all(zone.width >= 0 for zone in view.zones)
