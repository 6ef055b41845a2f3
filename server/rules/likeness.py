"""How much two records are the same, in numbers and in words, for the rules that compare surfaces."""

from __future__ import annotations

import math
from dataclasses import dataclass

from server.measures.sketch import SKETCH
from server.metrology.sameness import IDENTICAL, Share, Sketch, share_found
from server.rules.evidence import Lacking, RecordEvidence

PART_RATIO = 0.95
"""A surface of which less is found in another, and in which that other is found, is larger than the other."""
TELLING_RATIO = 0.25
"""Below this share, which chance never reaches between scans, the likeness of two surfaces is not told pair by pair."""
SAME_SCALE_RATIO = 0.003
"""A scale that differs by less is not mentioned: sketches tell it to 0.2 %."""


@dataclass(frozen=True, slots=True)
class Likeness:
    """own: share of this record's surface found in the other; other: the reverse; either way round 1 for a crop.

    is_identical: byte for byte.
    """

    own: Share
    other: Share
    is_identical: bool = False

    @property
    def greater(self) -> Share:
        return max(self.own, self.other, key=lambda share: share.share_ratio)

    @property
    def is_part(self) -> bool:
        """Whether this record is a part of the other and clearly not all of it."""
        return self.own is self.greater and self.other.share_ratio + self.other.u95_ratio < PART_RATIO

    @property
    def is_whole(self) -> bool:
        """Whether the other record is a part of this one and clearly not all of it."""
        return self.other is self.greater and self.own.share_ratio + self.own.u95_ratio < PART_RATIO

    @property
    def is_changed(self) -> bool:
        """Whether one of the two is a mirror image of the other or larger than it."""
        is_scaled = abs(self.own.scale_ratio - 1.0) > SAME_SCALE_RATIO
        return self.greater.share_ratio > TELLING_RATIO and (bool(self.own.is_mirrored) or is_scaled)

    @property
    def change_words(self) -> str:
        """What is different all the same: “, mirrored and 1000 times as large” or nothing. Said of this record."""
        if not self.is_changed:
            return ""
        scale = 1.0 / self.own.scale_ratio
        parts = ["mirrored"] if self.own.is_mirrored else []
        parts += [f"{scale:.4g} times as large"] if abs(scale - 1.0) > SAME_SCALE_RATIO else []
        return f", {' and '.join(parts)}"


SAME_BYTES = Likeness(IDENTICAL, IDENTICAL, is_identical=True)


def own_sketch(record: RecordEvidence) -> Sketch:
    """The record's sketch. Raises Lacking where there is none, or where the surface cannot be known by it."""
    sketch = record.result(SKETCH).sketch
    if not sketch.can_be_known:
        raise Lacking("the surface is too regular or too small to be known again by its facets")
    return sketch


def likeness_of(own: Sketch, other: Sketch) -> Likeness | None:
    """None where the two cannot be compared."""
    there, back = share_found(own, other), share_found(other, own)
    return Likeness(there, back) if there is not None and back is not None else None


def percent(ratio: float) -> str:
    """A share in whole per cent, rounded down: 100 % is all."""
    return f"{math.floor(100.0 * ratio)} %"
