"""Whether two jaws, in the frame they came in, stand to each other as a patient's closed jaws do.

Closed jaws look at each other over a good area and lie inside each other hardly anywhere. Two arches that a program has
turned to one direction look the same way; two that it has moved to one place stand inside each other.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum

from server.metrology.bite.distances import distances_to
from server.metrology.registration.surface import Surface

SAMPLES = 6_000
MEET_MM2 = 100.0
"""Two jaws that meet look at each other over more than this."""
DEEP_MM = 1.5
MOST_DEEP_SHARE = 0.15
"""Share of what looks at the other jaw that may lie deeper than DEEP_MM in it; more is no bite, however wrong."""


class Jaws(StrEnum):
    """How two jaws stand to each other in one frame."""

    MEET = "meet"
    SAME_WAY = "same way"
    INSIDE = "inside"
    APART = "apart"


@dataclass(frozen=True, slots=True)
class Meeting:
    """facing_mm2: of the other jaw, looking at the working one within reach; deep_ratio: share of it deep inside that."""

    jaws: Jaws
    facing_mm2: float
    deep_ratio: float


def meeting_in_one_frame(other: Surface, working: Surface, reach_mm: float) -> Meeting:
    """How the other jaw stands to the working one, both with the scanned side out."""
    samples = other.samples(SAMPLES)
    met = distances_to(working, samples.points, samples.normals, reach_mm)
    facing_mm2 = float(met.faces.sum()) * samples.area_mm2
    deep = float((met.gap_mm[met.faces] < -DEEP_MM).mean()) if met.faces.any() else 0.0
    if facing_mm2 >= MEET_MM2:
        return Meeting(Jaws.MEET if deep <= MOST_DEEP_SHARE else Jaws.INSIDE, facing_mm2, deep)
    back = distances_to(working, samples.points, -samples.normals, reach_mm)
    is_same_way = float(back.faces.sum()) * samples.area_mm2 >= MEET_MM2
    return Meeting(Jaws.SAME_WAY if is_same_way else Jaws.APART, facing_mm2, deep)
