"""By how much one relation of the jaws departs from another: at places, in directions, with its uncertainty.

A departure is a rigid motion of the other jaw, from where the one relation has it to where the other has it.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.spatial.transform import Rotation

from server.metrology.registration.certainty import Certainty
from server.metrology.registration.joining import Relation, combined
from server.metrology.rigid import apply, inverse

Floats = NDArray[np.float64]

HALF_95 = 1.96
TELLING = 2.0
"""Of three relations or more, one departs from the others where leaving it out halves what they differ by."""


@dataclass(frozen=True, slots=True)
class Along:
    """A length or an angle along one direction, with the half-width that holds it with 95 %."""

    size: float
    u95: float


@dataclass(frozen=True, slots=True)
class Departure:
    """motion: (4, 4) in the working jaw's frame; certainty: of it, in that frame."""

    motion: Floats
    certainty: Certainty

    def shift_mm(self, place: Floats) -> Floats:
        """(3,) by how much what belongs at a place (3,) is moved."""
        return np.asarray(apply(self.motion, place[None])[0] - place)

    def along(self, place: Floats, direction: Floats) -> Along:
        """The shift at a place along a direction (3,) unit, mm."""
        return Along(float(self.shift_mm(place) @ direction), self.certainty.u95_along_mm(place, direction))

    def size_mm(self, place: Floats) -> Along:
        """The length of the shift at a place, freed from what scatter adds to any length."""
        return _size(self.shift_mm(place), lambda axis: self.certainty.u95_along_mm(place, axis))

    @property
    def turn_deg(self) -> Floats:
        """(3,) rotation vector in degrees."""
        return np.asarray(np.degrees(Rotation.from_matrix(self.motion[:3, :3]).as_rotvec()))

    def about(self, axis: Floats) -> Along:
        """The turn about an axis (3,) unit, degrees."""
        return Along(float(self.turn_deg @ axis), self.certainty.u95_about_deg(axis))

    @property
    def tilt_deg(self) -> Along:
        """The whole turn, likewise."""
        return _size(self.turn_deg, self.certainty.u95_about_deg)


def _size(vector: Floats, u95_of: Callable[[Floats], float]) -> Along:
    """The length of a vector, its uncertainty that along its own direction. Scatter makes a short vector longer on average,
    its square by the sum of the variances: that is taken off (as from a Rician amplitude, Gudbjartsson & Patz 1995)."""
    length = float(np.linalg.norm(vector))
    own = u95_of(vector / length if length > 0.0 else np.eye(3)[0])
    added = sum((u95_of(axis) / HALF_95) ** 2 for axis in np.eye(3))
    return Along(float(np.sqrt(max(length**2 - added, 0.0))), own)


def departure(one: Relation, reference: Relation) -> Departure:
    """How `one` departs from `reference`, both of the other jaw in the working jaw's frame, known apart from each other."""
    return Departure(one.T @ inverse(reference.T), one.certainty.plus(reference.certainty))


def references(relations: Sequence[Relation]) -> list[tuple[int, ...]]:
    """For each relation, which of the others it is to be held against: all, but for one that departs from all others.

    With two, neither can be told wrong, and each is held against the other."""
    count = len(relations)
    everyone = range(count)
    odd = _odd_one(relations) if count > 2 else None
    return [tuple(j for j in everyone if j != i and j != odd) for i in everyone]


def _odd_one(relations: Sequence[Relation]) -> int | None:
    """The relation without which the others agree much better."""
    whole = _discord_mm(relations)
    without = [_discord_mm([r for j, r in enumerate(relations) if j != i]) for i in range(len(relations))]
    best = int(np.argmin(without))
    return best if without[best] * TELLING < whole else None


def _discord_mm(relations: Sequence[Relation]) -> float:
    """The largest shift of any relation off all of them together, where each is known best."""
    joint = combined(relations)
    return max(float(np.linalg.norm(departure(r, joint).shift_mm(r.certainty.centre))) for r in relations)
