"""How wide crowns are from front to back along the arch, and from it how far along the arch each tooth lies."""

from __future__ import annotations

from server.records.teeth import Arch, Tooth

CROWN_WIDTHS_MM = {
    Arch.UPPER: (8.5, 6.5, 7.5, 7.0, 7.0, 10.0, 9.0, 8.5),
    Arch.LOWER: (5.0, 5.5, 7.0, 7.0, 7.0, 11.0, 10.5, 10.0),
}
"""Mesiodistal widths, central incisor to third molar. Source: Wheeler's Dental Anatomy (Ash & Nelson), from memory,
unconfirmed; third molars likewise."""


def along_arch_mm(tooth: Tooth) -> float:
    """Arc length from the midline to the tooth's middle, + toward the patient's left, for crowns of common width that
    touch each other."""
    widths = CROWN_WIDTHS_MM[tooth.arch]
    middle = sum(widths[: tooth.number - 1]) + 0.5 * widths[tooth.number - 1]
    return -middle if tooth.is_right else middle
