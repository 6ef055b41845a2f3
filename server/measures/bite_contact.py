"""`bite.contact`: how near the teeth of both jaws are to each other when closed, where they touch and where they press.

The working surface is the denture's outer side; without a denture the jaw scan without its bodies, which shows no teeth:
then only what lies inside the opposing jaw means anything. All in the working record's file frame, mm.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from operator import attrgetter

import numpy as np
from numpy.typing import NDArray
from pydantic import BaseModel, ConfigDict

from server.measures.arch import is_beside_bodies
from server.measures.bite_regions import ArchPlaces, Region, arch_places
from server.measures.bite_relation import BITE_RELATION, PIECE_MM, Amount, BiteRelationResult
from server.measures.bodies import BODIES
from server.measures.case_bench import CaseBench
from server.measures.facing import FACING
from server.measures.measure import CaseMeasure, Result
from server.measures.mouth import MOUTH
from server.measures.vectors import Vector3, vector
from server.metrology.bite.closeness import Closest, closest, contacts
from server.metrology.bite.field import NEAR_MM, Field, field_of
from server.metrology.bite.plan import CELL_MM, plan_of
from server.metrology.bite.pressed import Pressed, pressed
from server.metrology.bvh import BoxTree
from server.metrology.registration.certainty import Certainty
from server.metrology.rigid import apply, inverse, turn
from server.records.roles import MESH_ROLES, Role

Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]

ALIKE_SHARE = 0.6
"""What neighbouring points err alike, as a share of their scatter, at the most; no smoothing takes it off, and an extreme over
the arch seeks it out. Our own proposal."""
HALF_95 = 1.96
WHOLE_MM2 = 12.0
"""A tooth of which less than this comes near the other jaw does not count in the mean of its side."""
MEDIAN_RATIO = 1.2533
"""Standard error of a median over that of a mean, for many normal values (√(π/2))."""


class RegionSeen(BaseModel):
    """least_mm: the least gap, + apart, - inside; None where less than half a square millimetre faces the other jaw within
    reach. mean_mm: the mean of the least gaps of its teeth. by_tooth: tooth number from the midline, least gap."""

    model_config = ConfigDict(frozen=True)

    region: Region
    least_mm: Amount | None
    least_at_mm: Vector3 | None
    mean_mm: Amount | None
    by_tooth_mm: tuple[tuple[int, float], ...]
    contact_mm2: float


class ContactSeen(BaseModel):
    """One place of contact. tooth: number from the midline, + on the patient's left, by common crown widths."""

    model_config = ConfigDict(frozen=True)

    region: Region
    tooth: int
    at_mm: Vector3
    area_mm2: float
    gap_mm: float


class Depth(BaseModel):
    """How far the jaws lie inside each other at most, and where; area of the working surface inside, volume of both."""

    model_config = ConfigDict(frozen=True)

    depth_mm: Amount
    at_mm: Vector3 | None
    region: Region | None
    area_mm2: Amount
    volume_mm3: Amount


class PlanSeen(BaseModel):
    """Gaps over the occlusal plane: x to the patient's left, y to the front, from the mouth's origin. low_mm: the middle of
    the first cell; cell_mm; columns. gap_um_b64: rows of int16 in micrometres, -32768 where nothing faces the other jaw
    within 3 mm, little-endian, deflated, base64."""

    model_config = ConfigDict(frozen=True)

    low_mm: tuple[float, float]
    cell_mm: float
    columns: int
    gap_um_b64: str


class BiteContactResult(Result):
    """shows_teeth: whether the working record carries the teeth that bite. regions: left, right, front. left_over_right_mm:
    by how much the gaps behind are wider on the left: the median over teeth that meet the other jaw on both sides.
    T_plan_working: rows, into the frame of both plans. scatter_mm: of single distances; None where the jaws face each other nowhere within 3 mm."""

    working: str
    opposing: str
    shows_teeth: bool
    regions: tuple[RegionSeen, ...]
    contacts: tuple[ContactSeen, ...]
    pressed: Depth
    left_over_right_mm: Amount | None
    scatter_mm: float | None
    T_plan_working: tuple[tuple[float, ...], ...]
    working_plan: PlanSeen | None
    opposing_plan: PlanSeen | None

    def of(self, region: Region) -> RegionSeen:
        return next(seen for seen in self.regions if seen.region is region)


@dataclass(frozen=True, slots=True)
class _Bite:
    """field: over the working record; certainty: of where the opposing jaw stands, in the working record's frame."""

    field: Field
    places: ArchPlaces
    certainty: Certainty
    is_delivered: bool

    def u95_mm(self, index: int) -> float:
        """Of the gap at one point: what is not known of the relation there, what scatter leaves, what errs alike."""
        f = self.field
        own = HALF_95 * float(np.hypot(f.sd_mm[index], self.alike_mm))
        return float(np.hypot(own, self.relation_u95_mm(f.points[index], f.toward[index])))

    def relation_u95_mm(self, place: Floats, direction: Floats) -> float:
        stitched = HALF_95 * PIECE_MM * np.sqrt(2.0) if self.is_delivered else 0.0
        return float(np.hypot(self.certainty.u95_along_mm(place, direction), stitched))

    @property
    def alike_mm(self) -> float:
        return ALIKE_SHARE * self.field.scatter_mm


def _measure(bench: CaseBench) -> BiteContactResult:
    told = bench.together(BITE_RELATION)
    working, opposing = (bench.records[file].outward for file in (told.working, told.opposing))
    to_other = inverse(told.motion)
    occlusal = np.array(told.occlusal)
    field = field_of(working, opposing, to_other, occlusal, _kept(bench, told))
    back = field_of(opposing, working, told.motion, turn(to_other, -occlusal[None])[0])
    mouth, arch = bench.together(MOUTH), bench.form.working_arch
    assert arch is not None
    places = arch_places(
        mouth, bench.records[mouth.told_by].role, arch, np.array(told.T_root_working), field.points
    )
    bite = _Bite(field, places, told.held.certainty, told.is_delivered)
    T_plan = _plan_frame(told, inverse(np.array(told.T_root_working)), np.array(mouth.origin_mm))
    by_tooth = {region: dict(_by_tooth(bite, places.within(region))) for region in Region}
    regions = tuple(_region(bite, region, by_tooth[region]) for region in Region)
    return BiteContactResult(
        working=told.working,
        opposing=told.opposing,
        shows_teeth=told.working_role is Role.DENTURE,
        regions=regions,
        contacts=_contacts(bite),
        pressed=_depth(bite, opposing.tree, to_other, occlusal),
        left_over_right_mm=_side_difference(bite, told, by_tooth[Region.LEFT], by_tooth[Region.RIGHT]),
        scatter_mm=field.scatter_mm if np.isfinite(field.scatter_mm) else None,
        T_plan_working=tuple(tuple(float(v) for v in row) for row in T_plan),
        working_plan=_plan(T_plan, field),
        opposing_plan=_plan(T_plan @ told.motion, back),
    )


def _kept(bench: CaseBench, told: BiteRelationResult) -> Bools | None:
    """Of a jaw scan, the vertices that are of no scan body: bodies come off before the patient bites."""
    if told.working_role is not Role.JAW:
        return None
    return is_beside_bodies(bench.records[told.working], bench.result(told.working, BODIES))


def _plan_frame(told: BiteRelationResult, T_working_root: Floats, origin_mm: Floats) -> Floats:
    """T_plan_working (4, 4): x to the patient's left, y to the front, z occlusal or away from it, whichever is right-handed."""
    left, front = np.array(told.left), np.array(told.front)
    T = np.eye(4)
    T[:3, :3] = np.stack([left, front, np.cross(left, front)])
    T[:3, 3] = -T[:3, :3] @ apply(T_working_root, origin_mm[None])[0]
    return T


def _region(bite: _Bite, region: Region, by_tooth: Mapping[int, Closest]) -> RegionSeen:
    field, own = bite.field, bite.places.within(region)
    least = closest(field.gap_mm, field.areas_mm2, own)
    touching = sum(c.area_mm2 for c in contacts(field.points, field.gap_mm, field.areas_mm2, own))
    return RegionSeen(
        region=region,
        least_mm=None if least is None else Amount(value=least.gap_mm, u95=bite.u95_mm(least.index)),
        least_at_mm=None if least is None else vector(field.points[least.index]),
        mean_mm=_mean(bite, list(by_tooth.values())),
        by_tooth_mm=tuple((abs(tooth), found.gap_mm) for tooth, found in by_tooth.items()),
        contact_mm2=float(touching),
    )


def _by_tooth(bite: _Bite, own: Bools) -> Iterator[tuple[int, Closest]]:
    """The least gap at each tooth of which enough faces the other jaw: of the last in the row only a sliver may."""
    field, teeth = bite.field, bite.places.teeth
    near = own & (field.gap_mm < field.gap_mm.min(initial=np.inf) + NEAR_MM)
    for tooth in np.unique(teeth[near]):
        at_tooth = near & (teeth == tooth)
        found = closest(field.gap_mm, field.areas_mm2, at_tooth)
        if found is not None and float(field.areas_mm2[at_tooth].sum()) >= WHOLE_MM2:
            yield int(tooth), found


def _mean(bite: _Bite, found: list[Closest]) -> Amount | None:
    """The mean of the least gaps of some teeth: scatter is each tooth's own, the relation is common to all."""
    if not found:
        return None
    rows = [f.index for f in found]
    own = HALF_95 * float(np.sqrt(sum(bite.field.sd_mm[r] ** 2 + bite.alike_mm**2 for r in rows))) / len(rows)
    toward = bite.field.toward[rows].mean(axis=0)
    toward = toward / max(float(np.linalg.norm(toward)), 1e-9)
    common = bite.relation_u95_mm(bite.field.points[rows].mean(axis=0), toward)
    return Amount(value=float(np.mean([f.gap_mm for f in found])), u95=float(np.hypot(own, common)))


def _side_difference(
    bite: _Bite, told: BiteRelationResult, left: Mapping[int, Closest], right: Mapping[int, Closest]
) -> Amount | None:
    """Left less right, tooth by like tooth, their median: a tooth that meets nothing, or stands short by itself, is no tilt.
    What is not known of the relation counts only as far as it leans to one side."""
    field = bite.field
    right_by = {abs(tooth): found for tooth, found in right.items()}
    pairs = [(found, right_by[abs(tooth)]) for tooth, found in left.items() if abs(tooth) in right_by]
    if not pairs:
        return None
    across = np.median(
        [(field.points[one.index] - field.points[other.index]) @ np.array(told.left) for one, other in pairs]
    )
    leans = np.radians(bite.certainty.u95_about_deg(np.cross(told.left, told.occlusal))) * abs(float(across))
    variance = sum(field.sd_mm[f.index] ** 2 + bite.alike_mm**2 for pair in pairs for f in pair)
    of_median = MEDIAN_RATIO if len(pairs) > 2 else 1.0
    own = HALF_95 * of_median * float(np.sqrt(variance)) / len(pairs)
    stitched = HALF_95 * PIECE_MM * 2.0 if bite.is_delivered else 0.0
    return Amount(
        value=float(np.median([one.gap_mm - other.gap_mm for one, other in pairs])),
        u95=float(np.linalg.norm([leans, stitched, own])),
    )


def _contacts(bite: _Bite) -> tuple[ContactSeen, ...]:
    field = bite.field
    made = []
    for region in Region:
        found = contacts(field.points, field.gap_mm, field.areas_mm2, bite.places.within(region))
        made += [
            ContactSeen(
                region=region,
                tooth=int(bite.places.teeth[c.index]),
                at_mm=vector(c.middle),
                area_mm2=c.area_mm2,
                gap_mm=c.gap_mm,
            )
            for c in found
        ]
    return tuple(made)


def _depth(bite: _Bite, other: BoxTree, T_other_working: Floats, occlusal: Floats) -> Depth:
    field = bite.field
    everywhere = np.ones(len(field.points), dtype=bool)
    deepest = closest(field.gap_mm, field.areas_mm2, everywhere)
    if deepest is None:
        none = Amount(value=0.0, u95=0.0)
        return Depth(depth_mm=none, at_mm=None, region=None, area_mm2=none, volume_mm3=none)
    u95 = bite.u95_mm(deepest.index)
    points, along = apply(T_other_working, field.points), turn(T_other_working, occlusal[None])[0]
    now, closer, wider = (
        pressed(points, field.faces, field.gap_mm - by, other, along) for by in (0.0, u95, -u95)
    )
    return Depth(
        depth_mm=Amount(value=max(-deepest.gap_mm, 0.0), u95=u95),
        at_mm=vector(field.points[deepest.index]),
        region=next(r for r in Region if bite.places.within(r)[deepest.index]),
        area_mm2=_spread(now.area_mm2, closer.area_mm2, wider.area_mm2),
        volume_mm3=_spread(now.volume_mm3, _moved_mm3(closer, u95), _moved_mm3(wider, -u95)),
    )


def _moved_mm3(found: Pressed, by_mm: float) -> float:
    """The volume where the other jaw stands nearer by that, its columns longer by as much."""
    return max(found.volume_mm3 + by_mm * found.area_mm2, 0.0)


def _spread(now: float, closer: float, wider: float) -> Amount:
    return Amount(value=now, u95=max(abs(closer - now), abs(wider - now)))


def _plan(T_plan_record: Floats, field: Field) -> PlanSeen | None:
    plan = plan_of(apply(T_plan_record, field.points)[:, :2], field.gap_mm)
    if plan is None:
        return None
    return PlanSeen(low_mm=plan.low_mm, cell_mm=CELL_MM, columns=plan.gap_mm.shape[1], gap_um_b64=plan.packed)


BITE_CONTACT = CaseMeasure(
    name="bite.contact",
    revision=3,
    result=BiteContactResult,
    roles=frozenset(MESH_ROLES - {Role.BEFORE}),
    compute=_measure,
    needs=(BODIES, FACING),
    builds_on=(BITE_RELATION, MOUTH),
    form_part=attrgetter("working_arch"),
)
