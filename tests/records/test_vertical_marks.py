from __future__ import annotations

import math

import numpy as np
import pytest

from server.records.case_form import Vertical
from server.records.vertical_marks import difference_u95_mm, height_change, readings_mm, spread_mm


def _marks(**fields: object) -> Vertical:
    return Vertical.model_validate(fields)


def test_change_is_seated_less_reference_less_planned() -> None:
    change = height_change(_marks(reference_mm=62.0, seated_mm=63.5, planned_change_mm=1.0))
    assert change is not None
    assert (change.change_mm, change.u95_mm) == (0.5, 1.0)
    assert height_change(_marks(reference_mm=62.0)) is None
    assert height_change(_marks(seated_mm=62.0)) is None


def test_the_prior_alone_gives_one_millimetre() -> None:
    """Where the repeats scatter just as practice expects, their number alone moves U95, by the t factor.

    Check values: t(10; 0.975) = 2.2281, t(11; 0.975) = 2.2010, from printed tables.
    """
    expected_sd_mm = 1.0 / 2.2281388519649385 / math.sqrt(2)
    readings = (62.0 - expected_sd_mm / math.sqrt(2), 62.0 + expected_sd_mm / math.sqrt(2))
    assert difference_u95_mm(()) == 1.0
    assert difference_u95_mm((62.0,)) == 1.0
    assert difference_u95_mm(readings) == pytest.approx(2.200985 * expected_sd_mm * math.sqrt(2), abs=1e-6)


def test_u95_holds_the_truth_where_readings_scatter_as_practice_expects() -> None:
    """Simulated clinics: 95 % of differences lie within, to three standard errors of the count."""
    rng = np.random.default_rng(20310504)
    runs = 4000
    inside = 0
    for one_sd_mm in _drawn_sd_mm(rng, runs):
        readings = tuple(rng.normal(62.0, one_sd_mm, size=3))
        difference_mm = rng.normal(0.0, one_sd_mm) - rng.normal(0.0, one_sd_mm)
        inside += abs(difference_mm) <= difference_u95_mm(readings)
    assert inside / runs == pytest.approx(0.95, abs=3 * math.sqrt(0.95 * 0.05 / runs))


def _drawn_sd_mm(rng: np.random.Generator, n: int) -> np.ndarray:
    """Scatters of clinics as the pooling assumes: scaled inverse chi-square with 10 degrees of freedom."""
    expected_mm2 = (1.0 / 2.2281388519649385) ** 2 / 2.0
    return np.sqrt(10 * expected_mm2 / rng.chisquare(10, size=n))


def test_more_like_readings_lower_u95_and_scattered_ones_raise_it() -> None:
    assert 0.7 < difference_u95_mm((62.0,) * 6) < difference_u95_mm((62.0,) * 3) < 1.0
    assert difference_u95_mm((61.0, 62.0, 63.0)) > 1.0


def test_repeats_are_compared_among_themselves_and_a_single_one_with_the_seated_height() -> None:
    assert spread_mm(_marks(seated_mm=70.0, repeats_mm=(62.0, 62.5))) == 0.5
    assert spread_mm(_marks(seated_mm=62.0, repeats_mm=(62.25,))) == 0.25
    assert spread_mm(_marks(seated_mm=62.0)) is None
    assert spread_mm(_marks(repeats_mm=(62.0,))) is None
    assert readings_mm(_marks(seated_mm=62.0, repeats_mm=(62.5,))) == (62.0, 62.5)
