"""Quantiles of the distributions that uncertainties are stated by. scipy.special holds them without the cost of loading
scipy.stats, which every measuring child would pay."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray
from scipy.special import chdtri, ndtri, stdtrit


def normal_quantile(share: float) -> float:
    """Below which lies that share of a standard normal distribution."""
    return float(ndtri(share))


def student_quantile(share: float, freedom: float) -> float:
    """The same of Student's distribution with so many degrees of freedom, more than 0."""
    return float(stdtrit(freedom, share))


def widened_for_few(freedom: float) -> float:
    """By how much wider than of a known scatter an interval of 95 % is where the scatter was read with so many degrees of
    freedom, more than 0."""
    return student_quantile(0.975, freedom) / normal_quantile(0.975)


def chi2_quantile(share: float, freedom: float) -> float:
    """The same of the chi-squared distribution; its degrees of freedom need not be whole."""
    return float(chdtri(freedom, 1.0 - share))


def normal_density(x: NDArray[np.float64]) -> NDArray[np.float64]:
    """Of the standard normal distribution at x, any shape."""
    return np.asarray(np.exp(-0.5 * x**2) / np.sqrt(2.0 * np.pi))
