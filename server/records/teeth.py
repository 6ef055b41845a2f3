"""Tooth codes in the two systems in use, and the order of teeth along an arch.

Source: ISO 3950:2016 for the two-digit codes (read in a secondary source); the Universal codes 1..32 by the
conversion of the two, which is arithmetic.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum

from server.errors import BadRequest


class Arch(StrEnum):
    UPPER = "upper"
    LOWER = "lower"


class Numbering(StrEnum):
    FDI = "fdi"
    UNIVERSAL = "universal"


class UnknownTooth(BadRequest):
    """The code names no permanent tooth in the declared system."""

    code = "tooth-code"


@dataclass(frozen=True, slots=True)
class Tooth:
    """A permanent tooth. quadrant 1 upper right, 2 upper left, 3 lower left, 4 lower right (the patient's sides);
    number 1..8 counted from the midline."""

    quadrant: int
    number: int

    @property
    def arch(self) -> Arch:
        return Arch.UPPER if self.quadrant in (1, 2) else Arch.LOWER

    @property
    def is_right(self) -> bool:
        return self.quadrant in (1, 4)

    @property
    def fdi(self) -> str:
        return f"{self.quadrant}{self.number}"

    @property
    def universal(self) -> str:
        n = self.number
        return str({1: 9 - n, 2: 8 + n, 3: 25 - n, 4: 24 + n}[self.quadrant])

    @property
    def place(self) -> int:
        """Place along the arch from the patient's right to left: -8 .. -1, 1 .. 8."""
        return -self.number if self.is_right else self.number

    def code(self, numbering: Numbering) -> str:
        return self.fdi if numbering is Numbering.FDI else self.universal


ALL_TEETH = tuple(Tooth(q, n) for q in (1, 2, 3, 4) for n in range(1, 9))
_BY_CODE = {system: {tooth.code(system): tooth for tooth in ALL_TEETH} for system in Numbering}


def tooth_of(code: str, numbering: Numbering) -> Tooth:
    """The tooth a code names. Raises UnknownTooth, naming the system, where it names none."""
    tooth = _BY_CODE[numbering].get(code.strip())
    if tooth is None:
        valid = "11-18, 21-28, 31-38, 41-48" if numbering is Numbering.FDI else "1-32"
        raise UnknownTooth(f"“{code}” is not a tooth in {numbering.value} numbering ({valid}).")
    return tooth
