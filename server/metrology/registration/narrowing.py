"""A fit led on to what has stayed, where so much has changed that it lies between what stayed and what changed.

The scale of the weights is let down to the scatter of scans whatever the offsets say (graduated non-convexity, Blake &
Zisserman 1987), and the fit goes on from where that leads. It stands if as large a part of the overlap then agrees far more
closely (a least quantile, Rousseeuw 1984); of a surface bent all over, no part does.

Not seen: a part that stayed and is less than about two fifths of what overlaps, or lies to one side only, so that a turn
makes up for the change. The fit then stays between, which `unlike_mm` tells.
"""

from __future__ import annotations

import numpy as np

from server.metrology.registration.agreement import Patches
from server.metrology.registration.fit import (
    OVERLAP_MM,
    Fit,
    Meeting,
    fit_from,
    meeting_of,
    stepped,
    weights_of,
)
from server.metrology.registration.surface import Samples, Surface

SCANS_MM = 0.03
"""Two scans of one thing scatter less about each other (scanners of this trade to 0.02 mm each, by experience)."""
STEPS, SHRINK, FINE_STEPS = 16, 0.75, 10
SHARE = 0.35
CLOSER = 0.5
"""Of the offsets' quantile at SHARE: the narrower fit must more than halve it."""


def narrowed(fit: Fit, few: Samples, fine: Samples, patches: Patches, target: Surface) -> Fit:
    """The fit, or the narrower one where that stands. few, fine: points of the probe to find it by and to fit it on, in their
    patches."""
    if fit.core_mm <= SCANS_MM:
        return fit
    T, scale = fit.T, fit.scale_mm
    for _ in range(STEPS):
        meeting = meeting_of(few, target, T, min(max(4.0 * scale, 0.3), OVERLAP_MM))
        T, _ = stepped(T, meeting, weights_of(meeting, scale))
        scale = max(SHRINK * scale, SCANS_MM)
    other = fit_from(fine, target, T, scale_mm=2.0 * SCANS_MM, steps=FINE_STEPS, patches=patches)
    return other if _quantile_mm(other.meeting) < CLOSER * _quantile_mm(fit.meeting) else fit


def unlike_mm(fit: Fit) -> float:
    """By how much what the fit lies on is unlike, beyond the scatter of scans: standard deviation, mm. Where it is all change,
    and alike over centimetres, the fit may lie off by as much."""
    return float(np.sqrt(max(fit.core_mm**2 - SCANS_MM**2, 0.0)))


def _quantile_mm(meeting: Meeting) -> float:
    offsets = np.abs(meeting.offset_mm[meeting.is_met])
    return float(np.quantile(offsets, SHARE)) if len(offsets) else np.inf
