"""Records laid on each other as in a good case, to break one thing of."""

from __future__ import annotations

from server.measures.facing import FACING
from server.measures.frames import JOINT, JointResult, Link, Placed
from server.measures.markers import MARKERS, Hands, MarkersResult
from server.measures.relation import Came
from server.records.roles import Role
from server.rules.evidence import CaseEvidence
from tests.rules.good_set import case, measured, record
from tests.rules.standing import of_case
from tests.rules.surfaces import facing

FILES = {
    "jaw.stl": Role.JAW,
    "tissue.stl": Role.TISSUE,
    "denture.stl": Role.DENTURE,
    "bite-1.stl": Role.BITE,
    "opposing.stl": Role.OPPOSING,
    "markers.stl": Role.MARKERS,
}
STILL = tuple(tuple(float(i == k) for k in range(4)) for i in range(4))


def link(moving: str, fixed: str, came: Came = Came.DELIVERED) -> Link:
    return Link(
        moving=f"{moving}.stl",
        fixed=f"{fixed}.stl",
        came=came,
        agreement_ratio=0.95,
        overlap_ratio=0.8,
        off_mm=0.01,
        sigma_mm=0.02,
    )


def placed(name: str, says: str = "") -> Placed:
    """A record in the jaw's frame; with words, one that could not be placed."""
    if says:
        return Placed(file=f"{name}.stl", says=says)
    return Placed(
        file=f"{name}.stl", T_root_record=STILL, is_delivered=True, u95_mm=0.08, u95_rotation_deg=0.1
    )


def joined(*links: Link, records: tuple[Placed, ...] = (), hand: Hands | None = None) -> CaseEvidence:
    """A case with these comparisons. hand: of the positions against the jaw scan, where they came."""
    names = ("jaw", "tissue", "denture", "bite-1", "opposing")
    known = {p.file: p for p in records}
    told = JointResult(
        root="jaw.stl",
        records=tuple(known.get(f"{name}.stl", placed(name)) for name in names),
        links=links,
    )
    of = case(*(record(measured(FACING, facing()), role=role, file=file) for file, role in FILES.items()))
    together = {JOINT.name: of_case(JOINT, told)}
    if hand is not None:
        compared = MarkersResult(
            jaw="jaw.stl", record="markers.stl", is_table=False, n_bodies=4, markers=(), fits=True, hand=hand
        )
        together[MARKERS.name] = of_case(MARKERS, compared)
    return CaseEvidence(form=of.form, records=of.records, now=of.now, measurements=together, bodies=of.bodies)
