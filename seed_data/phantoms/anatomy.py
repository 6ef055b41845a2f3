"""Sizes of teeth and arches.

Source: crown length / mesiodistal / faciolingual in mm after Ash & Nelson (from memory, unconfirmed); arch form
and widths after Braun, Hnat, Fender & Legan 1998, Angle Orthod 68:29-36 (equation from memory, constant 2^1.6
computed); occlusal sphere of 4 in (from memory).
"""

from __future__ import annotations

from dataclasses import dataclass

from server.records.teeth import Arch


@dataclass(frozen=True, slots=True)
class Crown:
    length_mm: float
    mesiodistal_mm: float
    faciolingual_mm: float


CROWNS: dict[Arch, tuple[Crown, ...]] = {
    Arch.UPPER: (
        Crown(10.5, 8.5, 7.0),
        Crown(9.0, 6.5, 6.0),
        Crown(10.0, 7.5, 8.0),
        Crown(8.5, 7.0, 9.0),
        Crown(8.5, 7.0, 9.0),
        Crown(7.5, 10.0, 11.0),
        Crown(7.0, 9.0, 11.0),
    ),
    Arch.LOWER: (
        Crown(9.0, 5.0, 6.0),
        Crown(9.5, 5.5, 6.5),
        Crown(11.0, 7.0, 7.5),
        Crown(8.5, 7.0, 7.5),
        Crown(8.0, 7.0, 8.0),
        Crown(7.5, 11.0, 10.5),
        Crown(7.0, 10.5, 10.0),
    ),
}
"""By arch, teeth 1 to 7 counted from the midline."""

INTERMOLAR_MM = {Arch.UPPER: (53.8, 2.8), Arch.LOWER: (51.7, 2.6)}
"""Mean and standard deviation of the arch width at the second molars."""

OCCLUSAL_SPHERE_MM = 101.6
"""Radius of the sphere on which cusps and edges lie: 4 in."""


def arch_length_ratio(teeth_a_side: int) -> float:
    """Mesiodistal sum of the lower teeth over the upper ones, first tooth to the given one."""
    sums = {arch: sum(c.mesiodistal_mm for c in CROWNS[arch][:teeth_a_side]) for arch in Arch}
    return sums[Arch.LOWER] / sums[Arch.UPPER]
