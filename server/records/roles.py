"""What a record may be, and the units its coordinates may be declared in."""

from __future__ import annotations

from enum import StrEnum


class Role(StrEnum):
    JAW = "jaw"
    TISSUE = "tissue"
    DENTURE = "denture"
    OPPOSING = "opposing"
    BITE = "bite"
    MARKERS = "markers"
    BEFORE = "before"
    PHOTO = "photo"

    @property
    def words(self) -> str:
        """How the role is called in a sentence for people."""
        return _WORDS[self]


_WORDS = {
    Role.JAW: "jaw scan with scan bodies",
    Role.TISSUE: "tissue scan",
    Role.DENTURE: "denture scan",
    Role.OPPOSING: "opposing jaw scan",
    Role.BITE: "bite scan",
    Role.MARKERS: "implant positions",
    Role.BEFORE: "scan from before",
    Role.PHOTO: "photo",
}


def role_rank(role: Role | None) -> int:
    """The place of a role among all, in the order in which records are shown; after all where nobody has said one."""
    return list(Role).index(role) if role is not None else len(Role)


MESH_ROLES = frozenset({Role.JAW, Role.TISSUE, Role.DENTURE, Role.OPPOSING, Role.BITE, Role.BEFORE})
"""Roles whose record is always a surface; `markers` may be a mesh or a table of positions."""


class Unit(StrEnum):
    MM = "mm"
    CM = "cm"
    M = "m"
    UM = "um"
    INCH = "in"
    UNKNOWN = "unknown"

    @property
    def in_mm(self) -> float | None:
        """Length of one unit in mm; None where the unit is unknown."""
        return _IN_MM[self]


_IN_MM: dict[Unit, float | None] = {
    Unit.MM: 1.0,
    Unit.CM: 10.0,
    Unit.M: 1000.0,
    Unit.UM: 0.001,
    Unit.INCH: 25.4,
    Unit.UNKNOWN: None,
}
