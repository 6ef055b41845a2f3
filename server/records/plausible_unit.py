"""Which unit a file's coordinates are in, by the size that a record of a mouth can have.

Source: arches are about 54 and 52 mm wide between the molars (upper, lower; Braun, Hnat, Fender & Legan
1998, Angle Orthod 68:29-36), which makes whole arch scans span 60-90 mm. The bounds are our own proposal: a
patch of two teeth spans about 13 mm, nothing recorded in a mouth more than 125 mm. They lie less than a
factor of 10 apart, so that millimetres and centimetres never both fit; and a partial scan is small, not in
metres.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from server.records.roles import Unit

LEAST_SPAN_MM = 13.0
LARGEST_SPAN_MM = 125.0
USUAL_SPAN_MM = 70.0


@dataclass(frozen=True, slots=True)
class UnitBySize:
    """best: the unit in which the span is that of a record of a mouth, None where none fits. fitting: every
    unit that fits."""

    best: Unit | None
    fitting: tuple[Unit, ...]


def unit_by_size(span: float) -> UnitBySize:
    """The unit that fits a span given in file units: millimetres where they fit, else the one that comes
    nearest to the usual size of an arch."""
    fitting = tuple(unit for unit in Unit if unit.in_mm is not None and is_plausible_mm(span * unit.in_mm))
    if not fitting:
        return UnitBySize(None, ())
    nearest = min(fitting, key=lambda unit: _oddness(span, unit))
    return UnitBySize(Unit.MM if Unit.MM in fitting else nearest, fitting)


def is_plausible_mm(span_mm: float) -> bool:
    return LEAST_SPAN_MM <= span_mm <= LARGEST_SPAN_MM


def _oddness(span: float, unit: Unit) -> float:
    return abs(math.log(span * (unit.in_mm or 1.0) / USUAL_SPAN_MM))
