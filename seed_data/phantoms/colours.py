"""Colours of scanned surfaces, for formats that carry them."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from seed_data.phantoms.dice import Dice
from seed_data.phantoms.scanner import Draft
from server.records.roles import Role

GUM = np.array([205.0, 128.0, 124.0])
TOOTH = np.array([226.0, 214.0, 190.0])
BODY = np.array([178.0, 182.0, 186.0])


def colours_of(draft: Draft, rng: Dice) -> NDArray[np.uint8]:
    """Red, green and blue per vertex, (n, 3)."""
    plain = TOOTH if draft.role in (Role.BITE, Role.OPPOSING, Role.DENTURE) else GUM
    tint = np.where((draft.label >= 0)[:, None], BODY, plain) + rng.normal(0.0, 5.0, (len(draft.label), 3))
    return np.clip(tint, 0, 255).astype(np.uint8)
