"""Where along the arch a point of the bite lies: behind on the left, behind on the right, in front; and at which tooth."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum

import numpy as np
from numpy.typing import NDArray

from server.measures.mouth import MouthResult
from server.metrology.rigid import apply
from server.records.crown_widths import crown_ends_mm
from server.records.roles import Role
from server.records.teeth import Arch

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Bools = NDArray[np.bool_]

FRONT_TEETH = 3


class Region(StrEnum):
    """Back teeth begin behind the canines."""

    LEFT = "left"
    RIGHT = "right"
    FRONT = "front"

    @property
    def words(self) -> str:
        return "in front" if self is Region.FRONT else f"behind on the {self.value}"


@dataclass(frozen=True, slots=True)
class ArchPlaces:
    """teeth: (n,) from the midline, 1 to 8, + on the patient's left; by common crown widths, so a neighbour may be meant."""

    teeth: Ints

    def within(self, region: Region) -> Bools:
        behind = np.abs(self.teeth) > FRONT_TEETH
        if region is Region.FRONT:
            return np.asarray(~behind)
        return np.asarray(behind & (self.teeth > 0 if region is Region.LEFT else self.teeth < 0))


def arch_places(
    mouth: MouthResult, told_by: Role, arch: Arch, T_root_record: Floats, points: Floats
) -> ArchPlaces:
    """The places of points (n, 3) of a record. told_by: the role of the record whose crest the mouth's curve is."""
    assert mouth.left is not None
    along = mouth.arch.along_mm(apply(T_root_record, points))
    if float(mouth.arch.side @ np.array(mouth.left)) < 0.0:
        along = -along
    ends = crown_ends_mm(arch, is_on_ridge=told_by is not Role.OPPOSING)
    number = np.minimum(np.searchsorted(ends, np.abs(along)) + 1, 8)
    return ArchPlaces(np.where(along < 0.0, -number, number))
