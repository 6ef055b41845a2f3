"""A record has not the size of anything in a mouth in the unit it is said to be in.

Why: mesh files mostly carry no unit; a jaw in metres loads as a speck, a jaw in inches fits nothing.
How: the largest span of the record, in the declared unit, else in the one the file states, against the
largest and the smallest that a record of a mouth can have; a partial scan is small, not in metres. Without
any unit the one that fits is taken, and said. It is looked at where another unit fits, and returned where
none does. A file that states another unit than the form is looked at too.
Not seen: a scan 10 % too large; markers/scale sees that.
"""

from __future__ import annotations

from collections.abc import Iterator
from types import MappingProxyType

from server.measures.extent import EXTENT, ExtentResult, UnitFrom
from server.records.plausible_unit import LARGEST_SPAN_MM, LEAST_SPAN_MM
from server.records.roles import MESH_ROLES, Role, Unit
from server.rules.evidence import CaseEvidence, RecordEvidence
from server.rules.limit import Level, Limit, Sense
from server.rules.rule import DoesNotApply, Observation, Rule, Seen
from server.rules.wording import listed

_CALLED = {
    Unit.MM: "millimetres",
    Unit.CM: "centimetres",
    Unit.M: "metres",
    Unit.UM: "micrometres",
    Unit.INCH: "inches",
}
_FEWEST_POINTS = 3


def _observe(record: RecordEvidence, _case: CaseEvidence) -> Iterator[Seen]:
    extent = record.result(EXTENT)
    if extent.n_points < _FEWEST_POINTS:
        yield DoesNotApply("Too few positions to tell a size.")
        return
    yield _of_size(extent)
    if extent.stated_unit_mm is not None and extent.stated_unit_mm != extent.unit_mm:
        stated = f"one unit is {extent.stated_unit_mm:g} mm"
        says = f"The file states that {stated}, the form says {extent.unit_mm:g} mm; the form was followed."
        yield Observation(says, broken=True)
    elif extent.unit_from is UnitFrom.SIZE and extent.fitting_units[0] is not Unit.MM:
        taken = _named(extent.fitting_units[:1])
        says = f"No unit was declared; by its size the record was taken to be in {taken}."
        yield Observation(
            says, broken=True, level=Level.LOOK if len(extent.fitting_units) > 1 else Level.NOTE
        )


def _of_size(extent: ExtentResult) -> Observation:
    says = f"The record spans {extent.span_mm:.3g} mm"
    others = [unit for unit in extent.fitting_units if unit.in_mm != extent.unit_mm]
    says += f"; in {_named(others)} it would have the size of a jaw scan." if others else "."
    level = Level.LOOK if extent.fitting_units else Level.RETURN
    is_large = extent.span_mm > (LEAST_SPAN_MM * LARGEST_SPAN_MM) ** 0.5
    return Observation(says, value=extent.span_mm, limit="largest" if is_large else "smallest", level=level)


def _named(units: tuple[Unit, ...] | list[Unit]) -> str:
    return listed([_CALLED[unit] for unit in units], "or")


_SOURCE = "Our own proposal: whole arches span 60-90 mm, a patch of two teeth about 13 mm."

RULE = Rule(
    id="file/unit-doubtful",
    revision=1,
    title="The unit is in doubt",
    remedy="Say in which unit the scan was exported; if no unit gives the right size, export it again in mm.",
    source="STL has no unit; a declared unit or plausible size settles it.",
    of_record=_observe,
    roles=MESH_ROLES | {Role.MARKERS},
    limits=MappingProxyType(
        {
            "largest": Limit.look_only(LARGEST_SPAN_MM, "mm", _SOURCE),
            "smallest": Limit.look_only(LEAST_SPAN_MM, "mm", _SOURCE, sense=Sense.LOWER),
        }
    ),
)
