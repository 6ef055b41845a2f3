"""What rules about the bite ask first: how the jaws stand, whether there are teeth to meet, where something lies."""

from __future__ import annotations

from server.measures.bite_contact import BITE_CONTACT, BiteContactResult
from server.measures.bite_regions import Region
from server.measures.bite_relation import BITE_RELATION, BiteRelationResult, ShiftAt
from server.measures.relation import Came
from server.records.case_form import OpposingDentition
from server.records.roles import Role
from server.rules.evidence import CaseEvidence, Lacking
from server.rules.finding import Place, Point
from server.rules.frame_evidence import joint_of
from server.rules.rule import DoesNotApply
from server.rules.wording import listed

SIDES = (Region.LEFT, Region.RIGHT)
TOUCHING_SOURCE = "Our own proposal: surfaces within 0.1 mm count as touching; 0.1 to 0.4 mm have been tried in scans, none is a standard."
NAMED_MM = 0.03
"""Shares of a shift smaller than this are left out of its words."""


def relation_of(case: CaseEvidence) -> BiteRelationResult:
    """How the jaws stand to each other. Raises Lacking where nothing says so."""
    if BITE_RELATION.name not in case.measurements:
        raise Lacking("there are no two jaws to be laid together")
    return case.result(BITE_RELATION)


def contact_of(case: CaseEvidence) -> BiteContactResult:
    """How near the jaws are to each other. Raises Lacking where that was not measured."""
    if BITE_CONTACT.name not in case.measurements:
        raise Lacking("there are no two jaws to be laid together")
    return case.result(BITE_CONTACT)


def no_teeth_to_meet(case: CaseEvidence) -> DoesNotApply | None:
    """Why contacts do not apply: the opposing jaw is said to be without teeth; None where they do. Raises Lacking where no scan
    shows those of the working jaw, or none that could be placed."""
    if case.form.opposing_dentition is OpposingDentition.EDENTULOUS:
        return DoesNotApply("The opposing jaw has no teeth to meet.")
    if not case.of_roles([Role.DENTURE]):
        raise Lacking("without a denture scan no record shows the teeth of the working jaw")
    if not contact_of(case).shows_teeth:
        says = "the denture scan, which shows the teeth of the working jaw, could not be placed"
        raise Lacking(says, because=_why_unplaced(case))
    return None


def _why_unplaced(case: CaseEvidence) -> str:
    """The rule that says why the denture lies nowhere."""
    joint = joint_of(case)
    is_mirrored = any(Came.MIRRORED in joint.ways(r.file) for r in case.of_roles([Role.DENTURE]))
    return "surface/mirrored" if is_mirrored else "surface/no-fit"


def on_working(told: BiteContactResult, point: Point | None) -> tuple[Place, ...]:
    """A place on the record that carries the working jaw's teeth."""
    return () if point is None else (Place(record=told.working, point_mm=point),)


def shift_words(shift: ShiftAt) -> str:
    """“0.24 mm to the right and 0.07 mm to the front”: the parts of a shift worth naming, the largest first."""
    parts = [
        (shift.left_mm.value, "to the left", "to the right"),
        (shift.front_mm.value, "to the front", "to the back"),
        (shift.apart_mm.value, "farther apart", "closer together"),
    ]
    named = [p for p in sorted(parts, key=lambda p: -abs(p[0])) if abs(p[0]) >= NAMED_MM]
    words = [f"{abs(size):.2f} mm {plus if size > 0.0 else minus}" for size, plus, minus in named]
    return listed(words) or "in the same place"
