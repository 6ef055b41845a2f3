"""`bite.relation`: how the opposing jaw stands to the working one, and what each bite scan says of it.

The working jaw is what carries its teeth, the denture; without one the jaw scan, else the tissue. All is told in that
record's file frame: how the denture lies on the jaw does not matter to the bite. A delivered relation stands and every bite
scan is held against it; without one the bite scans carry the relation together, and each is held against the others.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from enum import StrEnum
from operator import attrgetter

import numpy as np
from numpy.typing import NDArray
from pydantic import BaseModel, ConfigDict

from server.measures.case_bench import CaseBench
from server.measures.facing import FACING
from server.measures.frames import ARM_MM, JOINT, MANY, JointResult, Placed
from server.measures.measure import CaseMeasure, NotMeasured, Result
from server.measures.mouth import MOUTH, MouthResult
from server.measures.relation import RELATION, TOLD, Came, Held, Rows, rows_of
from server.measures.vectors import Vector3, vector
from server.metrology.bite.departure import Along, Departure, departure, references
from server.metrology.registration.certainty import Certainty
from server.metrology.registration.joining import Relation, combined
from server.metrology.rigid import apply, inverse, turn
from server.records.crown_widths import along_arch_mm, along_ridge_mm
from server.records.roles import MESH_ROLES, Role
from server.records.teeth import Arch, Tooth

Floats = NDArray[np.float64]

WORKING = (Role.DENTURE, Role.JAW, Role.TISSUE)
NO_FIT, MISSING, FORM = "surface/no-fit", "bite/missing", "form/missing"
PIECE_MM = 0.008
"""Standard deviation by which stitching carries a third of an arch, where a bite scan lies: it grows with the way by about
its power of 1.5, so of 24-99 µm reported for complete arches (doi 10.11607/ijp.7332; PMC11636004) a fifth; and it turns
the piece as it bends the arch, by as much over ARM_MM. Our own proposal."""
NEAR_MM = 6.0
"""The opposing teeth within this of a place on the plan stand at it."""


class Spot(StrEnum):
    """Where a shift is told: where the bite scan itself holds the jaws, at the incisors, at the first molars."""

    OWN = "own"
    INCISORS = "incisors"
    LEFT = "left molars"
    RIGHT = "right molars"


class Amount(BaseModel):
    """A number with the half-width that holds it with 95 %."""

    model_config = ConfigDict(frozen=True)

    value: float
    u95: float

    @staticmethod
    def of(along: Along) -> Amount:
        return Amount(value=along.size, u95=along.u95)


class ShiftAt(BaseModel):
    """By how much the opposing jaw is shifted at a place (in the working record's frame): along the patient's left, to the
    front, and away from the working jaw; mm."""

    model_config = ConfigDict(frozen=True)

    spot: Spot
    at_mm: Vector3
    left_mm: Amount
    front_mm: Amount
    apart_mm: Amount
    size_mm: Amount


class Departs(BaseModel):
    """How one relation departs from another. against: files of the bite scans that carry the other; empty: the delivered
    one. tilt_deg: the whole turn; opens_deg: about the axis from left to right, + where the front stands farther apart;
    leans_deg: about the axis to the front, + where the left stands farther apart; turns_deg: about the occlusal axis."""

    model_config = ConfigDict(frozen=True)

    against: tuple[str, ...]
    shifts: tuple[ShiftAt, ...]
    tilt_deg: Amount
    opens_deg: Amount
    leans_deg: Amount
    turns_deg: Amount

    def at(self, spot: Spot) -> ShiftAt:
        return next(shift for shift in self.shifts if shift.spot is spot)


class BiteSeen(BaseModel):
    """One bite scan. residual_mm: robust scatter of its points on the working and on the opposing record; None where it
    could not be laid on it. departs: None where it tells of no relation, or of the only one there is. T_working_opposing:
    what it implies."""

    model_config = ConfigDict(frozen=True)

    file: str
    working_residual_mm: float | None
    opposing_residual_mm: float | None
    T_working_opposing: Rows = ()
    departs: Departs | None = None


class Between(BaseModel):
    """Two bite scans against each other."""

    model_config = ConfigDict(frozen=True)

    one: str
    departs: Departs


class BiteRelationResult(Result):
    """T_working_opposing: rows, (4, 4), mm; held: how well it is known, in the working record's frame. is_delivered: it is
    the frame both came in. left, front, occlusal: unit, in that frame. between: each two bite scans."""

    working: str
    working_role: Role
    opposing: str
    is_delivered: bool
    T_working_opposing: Rows
    T_root_working: Rows
    held: Held
    left: Vector3
    front: Vector3
    occlusal: Vector3
    bites: tuple[BiteSeen, ...]
    between: tuple[Between, ...]

    @property
    def motion(self) -> Floats:
        """T_working_opposing (4, 4)."""
        return np.array(self.T_working_opposing)


@dataclass(frozen=True, slots=True)
class _Scene:
    """places: by spot, in the working record's frame; axes: (3, 3) rows left, front, occlusal there."""

    joint: JointResult
    mouth: MouthResult
    working: Placed
    opposing: Placed
    axes: Floats
    places: dict[Spot, Floats]


def _measure(bench: CaseBench) -> BiteRelationResult:
    scene = _scene(bench)
    told = {file: _implied(bench, scene, file) for file in bench.files_of(Role.BITE)}
    known = {file: relation for file, relation in told.items() if relation is not None}
    is_delivered = scene.opposing.is_delivered
    stands = _delivered(scene) if is_delivered else combined(list(known.values()))
    files = tuple(known)
    others: dict[str, tuple[str, ...]] = dict.fromkeys(files, ())
    if not is_delivered:
        others = dict(zip(files, _names(files, list(known.values())), strict=True))
    return BiteRelationResult(
        working=scene.working.file,
        working_role=bench.records[scene.working.file].role,
        opposing=scene.opposing.file,
        is_delivered=is_delivered,
        T_working_opposing=rows_of(stands.T),
        T_root_working=scene.working.T_root_record,
        held=Held.of(stands.certainty),
        left=vector(scene.axes[0]),
        front=vector(scene.axes[1]),
        occlusal=vector(scene.axes[2]),
        bites=tuple(
            _seen(bench, scene, file, told[file], _reference(file, others, known, stands)) for file in told
        ),
        between=tuple(
            Between(one=one, departs=_departs(scene, known[one], known[other], (other,)))
            for i, one in enumerate(files)
            for other in files[i + 1 :]
        ),
    )


def _scene(bench: CaseBench) -> _Scene:
    joint = bench.together(JOINT)
    opposing = [p for file in bench.files_of(Role.OPPOSING) if (p := joint.of(file)) is not None]
    if not opposing:
        raise NotMeasured("there is no scan of the opposing jaw")
    if not opposing[0].T_root_record:
        raise NotMeasured(f"the opposing jaw could not be placed: {opposing[0].says}", because=MISSING)
    placed = [p for role in WORKING for f in bench.files_of(role) if (p := joint.of(f)) and p.T_root_record]
    if not placed:
        raise NotMeasured("no scan of the working jaw could be placed", because=NO_FIT)
    mouth = bench.together(MOUTH)
    if mouth.left is None:
        raise NotMeasured("it is not said which jaw is worked on", because=FORM)
    back = inverse(placed[0].motion)
    axes = turn(back, np.array([mouth.left, mouth.front, mouth.occlusal]))
    places = _places(bench, mouth, opposing[0])
    return _Scene(
        joint, mouth, placed[0], opposing[0], axes, {s: apply(back, p[None])[0] for s, p in places.items()}
    )


def _places(bench: CaseBench, mouth: MouthResult, opposing: Placed) -> dict[Spot, Floats]:
    """Incisors and first molars on the opposing jaw's chewing side, in the root's frame, by common crown widths."""
    points = apply(
        mouth.T_mouth_root @ opposing.motion, bench.records[opposing.file].outward.samples(4000).points
    )
    along = along_arch_mm if bench.records[mouth.told_by].role is Role.OPPOSING else along_ridge_mm
    reach = abs(along(Tooth(1 if bench.form.working_arch is Arch.UPPER else 4, 6)))
    assert mouth.left is not None
    toward_left = 1.0 if float(mouth.arch.side @ np.array(mouth.left)) > 0.0 else -1.0
    made = {}
    for spot, s in ((Spot.INCISORS, 0.0), (Spot.LEFT, reach), (Spot.RIGHT, -reach)):
        plan = mouth.arch.at_mm(toward_left * s)
        near = np.hypot(*(points[:, :2] - plan).T) < NEAR_MM
        heights = points[near, 2] if near.sum() > 5 else points[:, 2]
        made[spot] = apply(inverse(mouth.T_mouth_root), np.array([[*plan, np.quantile(heights, 0.05)]]))[0]
    return made


def _implied(bench: CaseBench, scene: _Scene, bite: str) -> Relation | None:
    """The opposing jaw in the working record's frame, as a bite scan has it; None where it does not lie on both."""
    on_working = _between(bench, scene, bite, scene.working.file) or _chained(scene, bite)
    on_opposing = _between(bench, scene, bite, scene.opposing.file)
    if on_working is None or on_opposing is None:
        return None
    return on_opposing.reversed().then(on_working)


def _between(bench: CaseBench, scene: _Scene, moving: str, fixed: str) -> Relation | None:
    """How two records lie on each other, where the joint frame has compared them and they came together."""
    if not any((link.moving, link.fixed) == (moving, fixed) for link in scene.joint.links):
        return None
    made = bench.pair(RELATION, moving, fixed)
    if made.held is None or not made.is_told:
        return None
    return Relation(made.motion, made.held.certainty.widened(PIECE_MM, ARM_MM))


def _chained(scene: _Scene, bite: str) -> Relation | None:
    """The bite scan in the working record's frame by way of a third."""
    placed = scene.joint.of(bite)
    if placed is None or not placed.T_root_record or placed.held is None or scene.working.held is None:
        return None
    of_working = Relation(scene.working.motion, scene.working.held.certainty)
    return Relation(placed.motion, placed.held.certainty).then(of_working.reversed())


def _delivered(scene: _Scene) -> Relation:
    """The frame both came in; where the working record came in one of its own, by how that was laid on the root."""
    certainty = Certainty(np.zeros((6, 6)), scene.places[Spot.INCISORS], MANY, ARM_MM, np.zeros((0, 6)))
    came_so = scene.working.is_delivered or scene.working.file == scene.joint.root or _came_together(scene)
    if came_so or scene.working.held is None:
        return Relation(np.eye(4), certainty)
    return Relation(scene.working.motion, scene.working.held.certainty).reversed()


def _came_together(scene: _Scene) -> bool:
    """Whether a bite scan was found in the file frame of both: these are one then, even where the working record lies off it
    on its own jaw, as a denture relined on a swelling does."""
    delivered = {(link.moving, link.fixed) for link in scene.joint.links if link.came is Came.DELIVERED}
    return any(
        (bite, scene.opposing.file) in delivered and fixed == scene.working.file for bite, fixed in delivered
    )


def _names(files: tuple[str, ...], relations: Sequence[Relation]) -> list[tuple[str, ...]]:
    return [tuple(files[j] for j in others) for others in references(relations)]


def _reference(
    file: str, others: dict[str, tuple[str, ...]], known: dict[str, Relation], stands: Relation
) -> tuple[Relation, tuple[str, ...]] | None:
    """What a bite scan is held against: the delivered relation, or that of others; None where there are none."""
    if file not in others:
        return None
    if not others[file]:
        return None if stands is known[file] else (stands, ())
    return combined([known[other] for other in others[file]]), others[file]


def _seen(
    bench: CaseBench,
    scene: _Scene,
    file: str,
    relation: Relation | None,
    reference: tuple[Relation, tuple[str, ...]] | None,
) -> BiteSeen:
    links = {link.fixed: link for link in scene.joint.links if link.moving == file}
    on_opposing = links.get(scene.opposing.file)
    fits = [link for fixed, link in links.items() if bench.records[fixed].role in WORKING]
    on_working = next((link for link in fits if link.came in TOLD), None)
    departs = None
    if relation is not None and reference is not None:
        departs = _departs(scene, relation, reference[0], reference[1])
    return BiteSeen(
        file=file,
        working_residual_mm=on_working.sigma_mm if on_working else None,
        opposing_residual_mm=on_opposing.sigma_mm if on_opposing and on_opposing.came in TOLD else None,
        T_working_opposing=rows_of(relation.T) if relation is not None else (),
        departs=departs,
    )


def _departs(scene: _Scene, one: Relation, other: Relation, against: tuple[str, ...]) -> Departs:
    made = departure(one, other)
    left, front, occlusal = scene.axes
    places = {Spot.OWN: one.certainty.centre, **scene.places}
    return Departs(
        against=against,
        shifts=tuple(_shift(made, spot, place, scene.axes) for spot, place in places.items()),
        tilt_deg=Amount.of(made.tilt_deg),
        opens_deg=Amount.of(made.about(np.cross(front, occlusal))),
        leans_deg=Amount.of(made.about(np.cross(left, occlusal))),
        turns_deg=Amount.of(made.about(occlusal)),
    )


def _shift(made: Departure, spot: Spot, place: Floats, axes: Floats) -> ShiftAt:
    left, front, apart = (Amount.of(made.along(place, axis)) for axis in axes)
    return ShiftAt(
        spot=spot,
        at_mm=vector(place),
        left_mm=left,
        front_mm=front,
        apart_mm=apart,
        size_mm=Amount.of(made.size_mm(place)),
    )


BITE_RELATION = CaseMeasure(
    name="bite.relation",
    revision=2,
    result=BiteRelationResult,
    roles=frozenset(MESH_ROLES - {Role.BEFORE}),
    compute=_measure,
    needs=(FACING,),
    pairs=(RELATION,),
    builds_on=(JOINT, MOUTH),
    form_part=attrgetter("working_arch"),
)
