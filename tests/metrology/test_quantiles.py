"""Quantiles against scipy.stats, and against values printed in tables (NIST/SEMATECH e-Handbook of Statistical Methods,
1.3.6.7.1-4, from memory: 1.960; t 12.706, 2.228; chi-squared 3.841, 18.307)."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import stats

from server.metrology.quantiles import chi2_quantile, normal_density, normal_quantile, student_quantile


def test_values_of_the_tables() -> None:
    assert normal_quantile(0.975) == pytest.approx(1.960, abs=5e-4)
    assert student_quantile(0.975, 1) == pytest.approx(12.706, abs=5e-4)
    assert student_quantile(0.975, 10) == pytest.approx(2.228, abs=5e-4)
    assert chi2_quantile(0.95, 1) == pytest.approx(3.841, abs=5e-4)
    assert chi2_quantile(0.95, 10) == pytest.approx(18.307, abs=5e-4)


@pytest.mark.parametrize("freedom", [1, 2.37, 3, 11, 40.5, 800, 1_000_000])
@pytest.mark.parametrize("share", [0.05, 0.5, 0.95, 0.975])
def test_the_same_as_a_reference_library(freedom: float, share: float) -> None:
    assert student_quantile(share, freedom) == pytest.approx(
        float(stats.t.ppf(share, freedom)), rel=1e-6, abs=1e-12
    )
    assert chi2_quantile(share, freedom) == pytest.approx(float(stats.chi2.ppf(share, freedom)), rel=1e-9)


def test_the_density_is_that_of_a_normal_distribution() -> None:
    x = np.linspace(-5.0, 5.0, 41)
    np.testing.assert_allclose(normal_density(x), stats.norm.pdf(x), rtol=1e-12)
