"""`bodies.sites`: which body of the jaw scan is which site, by order and spacing along the arch, and how bodies stand to
each other. The arch is read from the surface without the bodies; nothing is assumed of its frame."""

from __future__ import annotations

from collections.abc import Sequence
from itertools import combinations
from typing import Any

import numpy as np
from numpy.typing import NDArray
from pydantic import BaseModel, ConfigDict

from server.measures.arch import arch_without_bodies, pose_of
from server.measures.bodies import BODIES, BodySeen
from server.measures.case_bench import CaseBench
from server.measures.measure import CaseMeasure, NotMeasured, Result
from server.measures.vectors import Vector3, vector
from server.metrology.arch import ArchFrame
from server.metrology.bodies.reference import ReferenceBody
from server.metrology.rigid import angle_between_deg, apply, inverse
from server.metrology.site_order import MOST_SITES, Pairing, pair_along_arch
from server.records.case_form import CaseForm
from server.records.crown_widths import along_ridge_mm
from server.records.numbering import only_fit_the_other
from server.records.roles import Role
from server.records.teeth import Arch, Numbering, UnknownTooth, tooth_of

FEW, SLACK_MM = 40, 0.3
"""Samples of a surface may stop this short of its ends."""
BETTER_MIRRORED = 12.0
"""By how much, in units of sigma², the bodies must fit the tooth codes better with left and right exchanged."""

Floats = NDArray[np.float64]


class SiteBody(BaseModel):
    """The body at one site. number: which of `bodies.found`; off_mm: along the arch from where the tooth code has it, +
    toward the patient's left, after one shift and stretch for all."""

    model_config = ConfigDict(frozen=True)

    site_index: int
    number: int
    off_mm: float


class Neighbours(BaseModel):
    """Two bodies: least distance of their surfaces and angle between their axes. numbers as in `bodies.found`."""

    model_config = ConfigDict(frozen=True)

    numbers: tuple[int, int]
    clearance_mm: float
    angle_deg: float
    u95_angle_deg: float


class SitesResult(Result):
    """record: the jaw scan's file. sites: those with a body; empty_sites: loaded ones without; extra: numbers of bodies
    that are no site's. is_clear: no other pairing would do as well; where False, which sites are empty cannot be told.
    untold: why bodies could not be told apart at all, and untold_because: the rule that has the cause; empty where they
    could. is_front_sure: whether front and sides of the jaw are sure. is_better_mirrored: the bodies fit the codes far
    better with left and right exchanged. pairs: all pairs of bodies. occlusal, front: unit, in the record's frame; None
    where the arch shows none.
    """

    record: str
    n_bodies: int
    sites: tuple[SiteBody, ...]
    empty_sites: tuple[int, ...]
    extra: tuple[int, ...]
    is_clear: bool
    untold: str
    untold_because: str
    is_front_sure: bool
    is_better_mirrored: bool
    pairs: tuple[Neighbours, ...]
    occlusal: Vector3 | None
    front: Vector3 | None
    arch_width_mm: float | None
    arch_depth_mm: float | None

    def site_of(self, number: int) -> int | None:
        """The site of a body; None where it is no site's."""
        return next((s.site_index for s in self.sites if s.number == number), None)


def _measure(bench: CaseBench) -> SitesResult:
    jaws = bench.files_of(Role.JAW)
    if not jaws:
        raise NotMeasured("there is no jaw scan with scan bodies", because=None)
    found = bench.result(jaws[0], BODIES)
    record = bench.records[jaws[0]]
    kinds = {kind.id: kind for kind in record.reference_bodies}
    arch = arch_without_bodies(record, found)
    loaded = [k for k, site in enumerate(bench.form.sites) if site.loaded]
    pairing, (untold, because) = paired_along_arch(bench.form, loaded, found.bodies, arch)
    sites = _sites(loaded, pairing)
    told = {s.number for s in sites}
    return SitesResult(
        record=jaws[0],
        n_bodies=len(found.bodies),
        sites=sites,
        empty_sites=tuple(k for k in loaded if k not in {s.site_index for s in sites}) if pairing else (),
        extra=tuple(k for k in range(len(found.bodies)) if k not in told) if pairing else (),
        is_clear=pairing is not None and pairing.is_clear,
        untold=untold,
        untold_because=because,
        is_front_sure=arch is not None and arch.is_front_sure,
        is_better_mirrored=pairing is not None and pairing.misfit - pairing.mirrored > BETTER_MIRRORED,
        pairs=tuple(
            _neighbours(found.bodies, kinds, i, j) for i, j in combinations(range(len(found.bodies)), 2)
        ),
        occlusal=vector(arch.occlusal) if arch else None,
        front=vector(arch.front) if arch else None,
        arch_width_mm=arch.width_mm if arch else None,
        arch_depth_mm=arch.depth_mm if arch else None,
    )


def paired_along_arch(
    form: CaseForm, loaded: Sequence[int], bodies: Sequence[BodySeen], arch: ArchFrame | None
) -> tuple[Pairing | None, tuple[str, str]]:
    """Sites and bodies paired along the arch; None, why not and which rule has the cause where they cannot be."""
    if form.working_arch is None or form.numbering is None:
        return None, ("the form does not say which jaw it is or how teeth are numbered", "form/missing")
    if arch is None or not arch.is_front_sure:
        return None, ("the scan does not show which way the arch runs", "bodies/count")
    if max(len(loaded), len(bodies)) > MOST_SITES:
        return None, ("there are too many sites", "bodies/count")
    try:
        written = [_place_mm(form.sites[k].tooth, form.numbering, form.working_arch) for k in loaded]
    except UnknownTooth:
        return None, ("a tooth code is not one of this jaw", _rule_of_codes(form))
    left = arch.patients_left(is_upper=form.working_arch is Arch.UPPER)
    sign = 1.0 if float(left @ arch.side) > 0.0 else -1.0
    seats = np.array([body.seat_mm for body in bodies]).reshape(-1, 3)
    return pair_along_arch(np.array(written), sign * _way_mm(seats, arch)), ("", "")


def _rule_of_codes(form: CaseForm) -> str:
    """The rule that says what is wrong with codes that cannot all be placed in this jaw."""
    assert form.numbering is not None
    if only_fit_the_other(form):
        return "form/numbering-doubtful"
    try:
        for site in form.sites:
            tooth_of(site.tooth, form.numbering)
    except UnknownTooth:
        return "form/tooth-code"
    return "form/arch-mismatch"


def _way_mm(seats: Floats, arch: ArchFrame) -> Floats:
    """(n,) how far along the arch each seat lies from the midline, + toward the arch's side: the way from seat to seat
    in their order, which hardly hangs on how well the arch's curve fits."""
    along = arch.along_mm(seats)
    order = np.argsort(along, kind="stable")
    plan = seats[order] - np.outer(seats[order] @ arch.occlusal, arch.occlusal)
    way = np.concatenate([[0.0], np.cumsum(np.linalg.norm(np.diff(plan, axis=0), axis=1))])[: len(seats)]
    if len(seats) > 0:
        middle = float(np.clip(0.0, along[order[0]], along[order[-1]]))
        way += middle - np.interp(middle, along[order], way)
    out = np.empty(len(seats))
    out[order] = way
    return out


def _place_mm(code: str, numbering: Numbering, jaw: Arch) -> float:
    tooth = tooth_of(code, numbering)
    if tooth.arch is not jaw:
        raise UnknownTooth(f"“{code}” is a tooth of the other jaw.")
    return along_ridge_mm(tooth)


def _sites(loaded: Sequence[int], pairing: Pairing | None) -> tuple[SiteBody, ...]:
    if pairing is None:
        return ()
    made = (
        SiteBody(site_index=loaded[i], number=j, off_mm=off)
        for (i, j), off in zip(pairing.pairs, pairing.off_mm, strict=True)
    )
    return tuple(sorted(made, key=lambda s: s.site_index))


def _neighbours(bodies: Sequence[BodySeen], kinds: dict[str, ReferenceBody], i: int, j: int) -> Neighbours:
    one, other = bodies[i], bodies[j]
    across = inverse(pose_of(one)) @ pose_of(other)
    return Neighbours(
        numbers=(i, j),
        clearance_mm=_clearance_mm(kinds[one.body], kinds[other.body], across),
        angle_deg=angle_between_deg(np.array(one.axis), np.array(other.axis)),
        u95_angle_deg=float(np.hypot(one.u95_axis_deg, other.u95_axis_deg)),
    )


def _clearance_mm(one: ReferenceBody, other: ReferenceBody, T_one_other: Floats) -> float:
    """Least distance from points spread over one surface to the other surface, either way round."""
    there, back = apply(T_one_other, other.points), apply(inverse(T_one_other), one.points)
    return min(_least_mm(one, there), _least_mm(other, back))


def _least_mm(body: ReferenceBody, points: Floats) -> float:
    """Least distance of points (n, 3) from the body's surface. None is nearer than the cylinder about the body is, so only
    the points that are as near to that as the least distance of a few are looked at."""
    beside = np.maximum(np.hypot(points[:, 0], points[:, 1]) - body.reach_mm, 0.0)
    beyond = np.maximum(
        np.maximum(body.points[:, 2].min() - points[:, 2], points[:, 2] - body.height_mm), 0.0
    )
    bound = np.hypot(beside, beyond)
    few = np.argpartition(bound, min(FEW, len(bound) - 1))[:FEW]
    least = body.tree.nearest(points[few]).distance_mm.min()
    return float(body.tree.nearest(points[bound <= least + SLACK_MM]).distance_mm.min())


def sites_form_part(form: CaseForm) -> Any:
    return [form.working_arch, form.numbering, [[site.tooth, site.loaded] for site in form.sites]]


SITES = CaseMeasure(
    name="bodies.sites",
    revision=3,
    result=SitesResult,
    roles=frozenset({Role.JAW}),
    compute=_measure,
    needs=(BODIES,),
    form_part=sites_form_part,
)
