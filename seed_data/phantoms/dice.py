"""Named streams of chance: the same seed and names always give the same numbers, whatever else was drawn."""

from __future__ import annotations

import hashlib

import numpy as np

Dice = np.random.Generator


def dice(seed: int, *names: str) -> Dice:
    """An independent generator for one purpose of one phantom."""
    digest = hashlib.sha256("/".join(names).encode()).digest()
    words = np.frombuffer(digest[:16], dtype="<u4")
    return np.random.default_rng([seed, *(int(w) for w in words)])


def pick(rng: Dice, low: float, high: float) -> float:
    """One number, uniform between two."""
    return float(rng.uniform(low, high))


def near(rng: Dice, mean: float, spread: float, cut: float = 2.0) -> float:
    """One number, normal about a mean, never more than `cut` spreads away from it."""
    return float(mean + spread * np.clip(rng.standard_normal(), -cut, cut))
