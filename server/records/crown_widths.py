"""How wide crowns are from front to back along the arch, and from it how far along the ridge each tooth's implant lies."""

from __future__ import annotations

import math

from server.records.teeth import Arch, Tooth

CROWN_WIDTHS_MM = {
    Arch.UPPER: (8.5, 6.5, 7.5, 7.0, 7.0, 10.0, 9.0, 8.5),
    Arch.LOWER: (5.0, 5.5, 7.0, 7.0, 7.0, 11.0, 10.5, 10.0),
}
"""Mesiodistal widths, central incisor to third molar. Source: Wheeler's Dental Anatomy (Ash & Nelson), from memory,
unconfirmed; third molars likewise."""


RIDGE_INSIDE_MM = 5.0
"""How far inside the arch of crowns implants stand on the ridge. Our own proposal."""
TURN_RAD, TURN_OVER_MM = math.radians(80.0), 15.0
"""An arch turns by about this on each side, most of it within this way from the midline. Our own proposal."""


def along_arch_mm(tooth: Tooth) -> float:
    """Arc length from the midline to the tooth's middle, + toward the patient's left, for crowns of common width that
    touch each other."""
    widths = CROWN_WIDTHS_MM[tooth.arch]
    middle = sum(widths[: tooth.number - 1]) + 0.5 * widths[tooth.number - 1]
    return -middle if tooth.is_right else middle


def along_ridge_mm(tooth: Tooth) -> float:
    """The same on the ridge, which runs inside the arch of crowns: a curve that lies inside another by d is shorter by d
    for each radian that it turns, so the front loses most."""
    return _on_ridge_mm(along_arch_mm(tooth))


def _on_ridge_mm(s: float) -> float:
    turned = TURN_RAD * (1.0 - math.exp(-abs(s) / TURN_OVER_MM))
    return math.copysign(abs(s) - RIDGE_INSIDE_MM * turned, s)


def crown_ends_mm(arch: Arch, *, is_on_ridge: bool) -> tuple[float, ...]:
    """Arc length from the midline to the far side of each tooth, 1 to 8, along the crowns or on the ridge beneath them."""
    ends = [sum(CROWN_WIDTHS_MM[arch][: k + 1]) for k in range(8)]
    return tuple(_on_ridge_mm(end) if is_on_ridge else end for end in ends)
