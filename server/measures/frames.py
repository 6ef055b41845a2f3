"""`frames.joint`: every record in the frame of one of them, the jaw scan where there is one.

Tissue and denture are laid on the jaw, bite scans on what the patient wore, the opposing jaw on the bite scans, all
together. Where the opposing jaw's file frame is within DELIVERED_MM and DELIVERED_DEG of what the bite scans say, that
frame is a delivered relation and stands; the bite scans check it. Where no bite scan tells, it stands if the jaws meet in it
as closed jaws do.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field, replace

import numpy as np
from numpy.typing import NDArray
from pydantic import BaseModel, ConfigDict

from server.measures.bite_meeting import MEETING
from server.measures.case_bench import CaseBench
from server.measures.facing import FACING
from server.measures.measure import CaseMeasure, NotMeasured, Result
from server.measures.relation import RELATION, TOLD, Came, Held, RelationResult, Rows, corners_of, rows_of
from server.metrology.bite.meeting import Jaws
from server.metrology.registration.certainty import Certainty
from server.metrology.registration.joining import Relation, combined
from server.metrology.rigid import angle_deg, apply
from server.records.roles import MESH_ROLES, Role

ROOTS = (Role.JAW, Role.TISSUE, Role.DENTURE)
PARTNERS: tuple[tuple[Role, tuple[Role, ...]], ...] = (
    (Role.TISSUE, (Role.JAW,)),
    (Role.DENTURE, (Role.JAW, Role.TISSUE)),
    (Role.BITE, (Role.DENTURE, Role.JAW, Role.TISSUE)),
    (Role.BEFORE, (Role.JAW, Role.TISSUE)),
)
"""What is laid on what; the next partner is tried where the one before is not there or does not fit."""
STITCHING_MM = 0.012
"""Standard deviation by which stitching carries a whole scan of a jaw, and turns it at its own arm's length: from
24-99 µm reported for complete arches (doi 10.11607/ijp.7332; PMC11636004), most of which is bend; our own proposal."""
DELIVERED_MM, DELIVERED_DEG = 5.0, 5.0
ARM_MM = 20.0
"""Of a jaw that no fit holds: about the mean distance of its points from its middle."""
MANY = 1_000_000
"""Degrees of freedom of what is known exactly."""

Floats = NDArray[np.float64]


class Link(BaseModel):
    """Two records and what their comparison gave."""

    model_config = ConfigDict(frozen=True)

    moving: str
    fixed: str
    came: Came
    agreement_ratio: float
    overlap_ratio: float
    off_mm: float | None
    sigma_mm: float | None


class Placed(BaseModel):
    """One record in the root's frame, mm. T_root_record: rows, det +1; empty where it could not be placed, and then `says`
    why. via: the records in between. is_delivered: the file frame itself is the root's. u95_mm: radius of the ball that
    holds, with 95 %, where the record's farthest corner truly belongs; u95_rotation_deg likewise. bites_off_mm, bites_off_deg:
    for a delivered relation of the jaws, what the bite scans say against it, in the middle of the opposing scan. held: how
    well the place is known, in the root's frame.
    """

    model_config = ConfigDict(frozen=True)

    file: str
    T_root_record: Rows = ()
    via: tuple[str, ...] = ()
    is_delivered: bool = False
    u95_mm: float | None = None
    u95_rotation_deg: float | None = None
    bites_off_mm: float | None = None
    bites_off_deg: float | None = None
    held: Held | None = None
    says: str = ""

    @property
    def motion(self) -> Floats:
        """T_root_record (4, 4). Raises ValueError where it could not be placed."""
        if not self.T_root_record:
            raise ValueError(f"{self.file} could not be placed")
        return np.array(self.T_root_record)


class JointResult(Result):
    """root: the file whose frame it is. records: all surfaces of the case, in the form's order. links: every comparison.
    jaws: how opposing and working jaw stand in the frame they came in, where no bite scan told of it."""

    root: str
    records: tuple[Placed, ...]
    links: tuple[Link, ...]
    jaws: Jaws | None = None

    def ways(self, file: str) -> tuple[Came, ...]:
        """What came of every comparison of a record with another."""
        return tuple(link.came for link in self.links if file in (link.moving, link.fixed))

    def of(self, file: str) -> Placed | None:
        return next((p for p in self.records if p.file == file), None)


@dataclass(frozen=True, slots=True)
class _Held:
    """Where a record stands in the root's frame. bites_off: mm and degrees by which bite scans are off a delivered one."""

    relation: Relation
    via: tuple[str, ...]
    is_delivered: bool
    bites_off: tuple[float, float] | None = None


@dataclass
class _Web:
    """What has been compared so far, and what stands where. held: by file."""

    bench: CaseBench
    files: tuple[str, ...]
    found: dict[tuple[str, str], RelationResult] = field(default_factory=dict)
    held: dict[str, _Held] = field(default_factory=dict)
    says: dict[str, str] = field(default_factory=dict)
    jaws: Jaws | None = None

    def of(self, role: Role) -> list[str]:
        return [file for file in self.files if self.bench.records[file].role is role]

    def compare(self, moving: str, fixed: str) -> bool:
        """Whether the two came together; whatever came of it is noted."""
        try:
            result = self.bench.pair(RELATION, moving, fixed)
        except NotMeasured as answer:
            self.says.setdefault(moving, answer.says)
            return False
        self.found[moving, fixed] = result
        return result.is_told

    @property
    def links(self) -> tuple[Link, ...]:
        return tuple(
            Link(
                moving=moving,
                fixed=fixed,
                came=result.came,
                agreement_ratio=result.agreement_ratio,
                overlap_ratio=result.overlap_ratio,
                off_mm=result.off_mm,
                sigma_mm=result.sigma_mm,
            )
            for (moving, fixed), result in self.found.items()
        )

    def between(self, one: str, other: str) -> RelationResult | None:
        """What came of two records, whichever was laid on the other."""
        return self.found.get((one, other)) or self.found.get((other, one))

    def relation(self, moving: str, fixed: str) -> Relation | None:
        """How `moving` lies in `fixed`, whichever of the two was laid on the other."""
        result = self.between(moving, fixed)
        if result is None or result.held is None:
            return None
        relation = Relation(result.motion, result.held.certainty.widened(STITCHING_MM))
        return relation if (moving, fixed) in self.found else relation.reversed()

    def corners(self, file: str) -> Floats:
        """(8, 3) corners of the box about a record, in its own frame."""
        return corners_of(self.bench.records[file].scan.vertices)

    def middle(self, file: str) -> Floats:
        return np.asarray(self.corners(file).mean(axis=0, keepdims=True))


def _measure(bench: CaseBench) -> JointResult:
    web = _Web(bench, tuple(_readable(bench)))
    root = next((file for role in ROOTS for file in web.of(role)), None)
    if root is None:
        raise NotMeasured("there is no scan of the working jaw to bring the others to")
    bench.compare_all(RELATION, list(_first_pairs(web)))
    for role, partners in PARTNERS:
        for file in web.of(role):
            _try(web, file, partners)
    for opposing in web.of(Role.OPPOSING):
        for bite in web.of(Role.BITE):
            web.compare(bite, opposing)
    for file in web.of(Role.BEFORE):
        if not any(file == pair[0] and r.is_told for pair, r in web.found.items()):
            _try(web, file, (Role.OPPOSING,))
    _spread(web, root)
    return JointResult(
        root=root,
        records=tuple(_placed(web, file, root) for file in web.files),
        links=web.links,
        jaws=web.jaws,
    )


def _readable(bench: CaseBench) -> Iterator[str]:
    """The records that can be laid on each other: those whose facing was measured."""
    for file, record in bench.records.items():
        if record.role not in MESH_ROLES:
            continue
        try:
            bench.result(file, FACING)
        except NotMeasured:
            continue
        yield file


def _first_pairs(web: _Web) -> Iterator[tuple[str, str]]:
    """The comparisons that are made in any case: each record with its first partner that is there, bites with both jaws."""
    for role, partners in PARTNERS:
        first = next((web.of(other) for other in partners if web.of(other)), [])
        yield from ((file, other) for file in web.of(role) for other in first[:1])
    yield from ((bite, opposing) for opposing in web.of(Role.OPPOSING) for bite in web.of(Role.BITE))


def _try(web: _Web, file: str, partners: Sequence[Role]) -> None:
    for role in partners:
        if any(web.compare(file, other) for other in web.of(role)):
            return


def _spread(web: _Web, root: str) -> None:
    """Carries the root's frame along the links, the opposing jaw by all of its bite scans together, and by the opposing jaw
    those bite scans that lie on it alone."""
    web.held[root] = _Held(_still(), (), is_delivered=True)
    near = [file for role in (Role.TISSUE, Role.DENTURE, Role.JAW, Role.BITE) for file in web.of(role)]
    _hold_all(web, near, root)
    for file in web.of(Role.OPPOSING):
        _hold_opposing(web, file)
    _hold_all(web, web.of(Role.BITE), root)
    for file in web.of(Role.BEFORE):
        _hold(web, file, root)


def _hold_all(web: _Web, files: Sequence[str], root: str) -> None:
    while any(_hold(web, file, root) for file in files):
        pass


def _hold(web: _Web, file: str, root: str) -> bool:
    """Places a record by the first of those already placed that it was found to lie on."""
    if file in web.held:
        return False
    for other, held in web.held.items():
        relation = web.relation(file, other)
        if relation is not None:
            via = held.via if other == root else (*held.via, other)
            met = web.between(file, other)
            is_delivered = held.is_delivered and met is not None and met.came is Came.DELIVERED
            web.held[file] = _Held(relation.then(held.relation), via, is_delivered)
            return True
    return False


def _hold_opposing(web: _Web, file: str) -> None:
    told = [
        (bite, relation.then(web.held[bite].relation))
        for bite in web.of(Role.BITE)
        if bite in web.held and (relation := web.relation(file, bite)) is not None
    ]
    if not told:
        _hold_as_delivered(web, file)
        return
    bites = tuple(bite for bite, _ in told)
    by_bites = combined([relation for _, relation in told])
    middle = web.middle(file)
    off_mm = float(np.linalg.norm(apply(by_bites.T, middle) - middle))
    if off_mm < DELIVERED_MM and angle_deg(by_bites.T) < DELIVERED_DEG:
        off = (off_mm, angle_deg(by_bites.T))
        web.held[file] = _Held(replace(by_bites, T=np.eye(4)), bites, is_delivered=True, bites_off=off)
    else:
        web.held[file] = _Held(by_bites, bites, is_delivered=False)


def _hold_as_delivered(web: _Web, file: str) -> None:
    """Leaves the opposing jaw where it came, if it meets there what shows the working jaw's teeth, else its ridge."""
    came_so = [f for role in (Role.DENTURE, Role.JAW, Role.TISSUE) for f in web.of(role) if _came_so(web, f)]
    if not came_so:
        return
    try:
        web.jaws = web.bench.pair(MEETING, file, came_so[0]).jaws
    except NotMeasured:
        return
    if web.jaws is Jaws.MEET:
        still = _still()
        certainty = replace(still.certainty, arm_mm=ARM_MM).widened(STITCHING_MM)
        web.held[file] = _Held(replace(still, certainty=certainty), (), is_delivered=True)


def _came_so(web: _Web, file: str) -> bool:
    """Whether a record's own frame is the root's."""
    return file in web.held and web.held[file].is_delivered


def _still() -> Relation:
    return Relation(np.eye(4), Certainty(np.zeros((6, 6)), np.zeros(3), MANY, 1.0, np.zeros((0, 6))))


def _placed(web: _Web, file: str, root: str) -> Placed:
    held = web.held.get(file)
    if held is None:
        return Placed(file=file, says=_why_not(web, file))
    certainty = held.relation.certainty
    corners = web.corners(file)
    return Placed(
        file=file,
        T_root_record=rows_of(held.relation.T),
        via=held.via,
        is_delivered=held.is_delivered and file != root,
        u95_mm=max(certainty.u95_mm(corner) for corner in apply(held.relation.T, corners)),
        u95_rotation_deg=certainty.u95_rotation_deg,
        bites_off_mm=held.bites_off[0] if held.bites_off else None,
        bites_off_deg=held.bites_off[1] if held.bites_off else None,
        held=Held.of(certainty),
    )


def _why_not(web: _Web, file: str) -> str:
    """Why a record could not be placed, in words."""
    tried = [link for link in web.links if file in (link.moving, link.fixed)]
    if file in web.says:
        return web.says[file]
    if not tried:
        return "no other record shows anything of what it shows"
    partners = dict.fromkeys(web.bench.records[_other(link, file)].role.words for link in tried)
    others = " or the ".join(partners)
    if any(link.came is Came.MIRRORED for link in tried):
        return f"it lies on the {others} only in mirror image"
    told = [_other(link, file) for link in tried if link.came in TOLD]
    if told:
        return f"the {web.bench.records[told[0]].role.words} it lies on could not be placed"
    if any(link.came is Came.AMBIGUOUS for link in tried):
        return f"it lies on the {others} in more than one way"
    return f"it does not lie on the {others} in any way"


def _other(link: Link, file: str) -> str:
    return link.fixed if link.moving == file else link.moving


JOINT = CaseMeasure(
    name="frames.joint",
    revision=4,
    result=JointResult,
    roles=MESH_ROLES,
    compute=_measure,
    needs=(FACING,),
    pairs=(RELATION, MEETING),
)
