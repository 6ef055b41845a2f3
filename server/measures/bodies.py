"""`bodies.found`: every scan body of the catalogue's kinds in a surface, with what was caught of it and how far its pose
can be trusted. Nothing of the form goes in: which body is which site is told apart in `bodies.sites`."""

from __future__ import annotations

import dataclasses
from enum import StrEnum

import numpy as np
from numpy.typing import NDArray
from pydantic import BaseModel, ConfigDict

from server.measures.bench import RecordBench
from server.measures.facing import FACING
from server.measures.measure import RecordMeasure, Result
from server.measures.reading import READING
from server.measures.shell import SHELL, Opening
from server.measures.vectors import Vector3, vector
from server.metrology.bodies.candidates import Start
from server.metrology.bodies.finding import FoundBody, Surface, find_bodies
from server.metrology.bodies.finer import finer, long_share
from server.metrology.bodies.reference import ReferenceBody
from server.metrology.rigid import RigidFit, apply, fit_rigid, inverse
from server.metrology.scan import Scan
from server.metrology.topology import topology_of
from server.records.case_form import Spots
from server.records.roles import Role

MOST_EXPECTED = 8
"""Bodies searched for at first; more are found as well."""
BESIDE_MM = 1.5
"""An opening this near to a body is one at the body."""
FAR_MM = 12.0
MISFIT_MM = 1.5
"""Spots that lie on each other no better than this are not the same spots."""
LONG_MM, MUCH_LONG_SHARE, BETWEEN_MM = 1.2, 0.25, 0.4
"""A solid from a drawing has points along its rims only: where so much of the area is in facets with edges longer than the
first, points are put between them until none is farther from the next than the last."""
STANDS_MM = 3.0
"""Bodies whose middles are nearer than this are one."""

Floats = NDArray[np.float64]


class KindSeen(BaseModel):
    """How one kind of the catalogue fits at a body's place: the area it explains, less what it would have hidden."""

    model_config = ConfigDict(frozen=True)

    body: str
    explained_mm2: float
    rms_mm: float
    seat_mm: Vector3
    axis: Vector3
    clock: Vector3


class BodySeen(BaseModel):
    """One body. Places and directions in the record's file frame, mm. u95_clock_deg is None where the turn about the axis
    is open, as when the index feature was not caught.

    coverage_ratio: caught share of the area above the tissue; by_eighth: of each eighth of the turn, the first from the
    clocking direction on, against the clock seen from above; by_height: rows of 1 mm from the seat up, eight each; None
    where hardly any of it stands above the tissue. by_hand: it was fitted from spots matched by hand. beneath_ratio: share of the body's area under tissue. top, index:
    caught shares of top face and index feature. white_mm, alike_mm: scatter of points and of neighbourhoods. kinds: the
    best first.
    """

    model_config = ConfigDict(frozen=True)

    body: str
    seat_mm: Vector3
    axis: Vector3
    clock: Vector3
    u95_position_mm: float
    u95_axis_deg: float
    u95_clock_deg: float | None
    rms_mm: float
    n_points: int
    white_mm: float
    alike_mm: float
    spacing_mm: float
    coverage_ratio: float
    by_eighth: tuple[float | None, ...]
    by_height: tuple[tuple[float | None, ...], ...]
    beneath_ratio: float
    top_ratio: float | None
    index_ratio: float | None
    kinds: tuple[KindSeen, ...]
    openings: tuple[Opening, ...] = ()
    by_hand: bool = False


class Matched(StrEnum):
    """What came of spots matched by hand."""

    FITTED = "fitted"
    FOUND_WITHOUT = "found without"
    NOTHING_THERE = "nothing there"
    NO_SUCH_BODY = "no such body"
    NO_MATCH = "no match"


class BodiesResult(Result):
    """bodies: the one that explains most first. catalogue: the kinds searched for. is_turned: the surface was searched
    with its other side out, because that side faced the scanner. matched: what came of each set of spots matched by hand."""

    bodies: tuple[BodySeen, ...]
    catalogue: tuple[str, ...]
    is_turned: bool
    matched: tuple[Matched, ...] = ()


def _measure(bench: RecordBench) -> BodiesResult:
    _, kinds = (
        bench.scan,
        bench.reference_bodies,
    )  # without a scan that is the answer, whatever else is lacking
    found, is_turned = (
        _found_in_jaw(bench, kinds) if bench.role is Role.JAW else _found_in_markers(bench, kinds)
    )
    by_id = {kind.id: kind for kind in kinds}
    surface = surface_of(bench, is_turned=is_turned)
    openings = bench.result(SHELL).openings if bench.role is Role.JAW else ()
    return BodiesResult(
        bodies=tuple(body_seen(body, by_id[body.body], surface, openings) for body in found),
        catalogue=tuple(sorted(by_id)),
        is_turned=is_turned,
        matched=tuple(_came_of(spots, number, found, by_id) for number, spots in enumerate(bench.spots)),
    )


def _found_in_jaw(bench: RecordBench, kinds: tuple[ReferenceBody, ...]) -> tuple[list[FoundBody], bool]:
    """The bodies of a jaw scan, searched with the side out that faced the scanner."""
    is_turned = bench.result(FACING).is_inside_out
    return _search(bench, kinds, is_turned=is_turned), is_turned


def _found_in_markers(bench: RecordBench, kinds: tuple[ReferenceBody, ...]) -> tuple[list[FoundBody], bool]:
    """The bodies of a mesh of nothing but bodies, which shows no side by the sky: searched either way round, and the way
    that shows more of them taken."""
    best: tuple[list[FoundBody], bool] = ([], False)
    for is_turned in (False, True):
        found = _search(bench, kinds, is_turned=is_turned)
        if len(found) > len(best[0]):
            best = found, is_turned
        if found and not is_turned:
            break
    return best


def _search(bench: RecordBench, kinds: tuple[ReferenceBody, ...], *, is_turned: bool) -> list[FoundBody]:
    """The bodies found, and those fitted from spots matched by hand, each with the number of its spots as its start."""
    by_id = {kind.id: k for k, kind in enumerate(kinds)}
    usable = [
        number
        for number, spots in enumerate(bench.spots)
        if spots.body in by_id and _misfit_mm(spots) <= MISFIT_MM
    ]
    starts = [Start(by_id[bench.spots[n].body], _said(bench.spots[n]).T_target_source) for n in usable]
    found = find_bodies(_searched(bench, is_turned=is_turned), kinds, MOST_EXPECTED, starts)
    return [
        body if body.start is None else dataclasses.replace(body, start=usable[body.start]) for body in found
    ]


def _said(spots: Spots) -> RigidFit:
    return fit_rigid(np.array(spots.body_mm), np.array(spots.scan_mm))


def _misfit_mm(spots: Spots) -> float:
    return float(_said(spots).residual_mm.max())


def _came_of(spots: Spots, number: int, found: list[FoundBody], kinds: dict[str, ReferenceBody]) -> Matched:
    if spots.body not in kinds:
        return Matched.NO_SUCH_BODY
    if _misfit_mm(spots) > MISFIT_MM:
        return Matched.NO_MATCH
    if any(body.start == number for body in found):
        return Matched.FITTED
    middle = _middle(_said(spots).T_target_source, kinds[spots.body])
    stands = any(
        np.linalg.norm(middle - _middle(body.T_scan_body, kinds[body.body])) < STANDS_MM for body in found
    )
    return Matched.FOUND_WITHOUT if stands else Matched.NOTHING_THERE


def _middle(T_scan_body: Floats, kind: ReferenceBody) -> Floats:
    return np.asarray(T_scan_body[:3, 3] + 0.5 * kind.height_mm * T_scan_body[:3, 2])


def surface_of(bench: RecordBench, *, is_turned: bool = False) -> Surface:
    """The record's surface ready to be searched, outside out."""
    topology, sign = bench.topology, -1.0 if is_turned else 1.0
    faces = bench.scan.faces[:, ::-1] if is_turned else bench.scan.faces
    return Surface(
        bench.scan.vertices,
        sign * topology.vertex_normals,
        topology.vertex_areas_mm2,
        np.ascontiguousarray(faces),
    )


def _searched(bench: RecordBench, *, is_turned: bool) -> Surface:
    """The surface as it is searched: with points put between those of long facets, where much of it consists of such."""
    if long_share(bench.scan, LONG_MM) < MUCH_LONG_SHARE:
        return surface_of(bench, is_turned=is_turned)
    faces = bench.scan.faces[:, ::-1] if is_turned else bench.scan.faces
    scan = finer(Scan(bench.scan.vertices, np.ascontiguousarray(faces)), BETWEEN_MM)
    topology = topology_of(scan)
    return Surface(scan.vertices, topology.vertex_normals, topology.vertex_areas_mm2, scan.faces)


def body_seen(
    found: FoundBody, body: ReferenceBody, surface: Surface, openings: tuple[Opening, ...]
) -> BodySeen:
    T, trust, coverage = found.T_scan_body, found.trust, found.coverage
    n = int(found.fit.used.sum())
    return BodySeen(
        body=found.body,
        seat_mm=vector(found.seat_mm),
        axis=vector(found.axis),
        clock=vector(found.clock),
        u95_position_mm=trust.u95_position_mm,
        u95_axis_deg=trust.u95_axis_deg,
        u95_clock_deg=trust.u95_clock_deg if found.is_clock_sure else None,
        rms_mm=found.fit.rms_mm,
        n_points=n,
        white_mm=trust.white_mm,
        alike_mm=trust.alike_mm,
        spacing_mm=_spacing(surface, T, body),
        coverage_ratio=float(np.nan_to_num(coverage.ratio)),
        by_eighth=_shares(coverage.eighths),
        by_height=tuple(_shares(row) for row in coverage.by_height),
        beneath_ratio=coverage.beneath_ratio,
        top_ratio=_share(coverage.top),
        index_ratio=_share(coverage.index),
        kinds=tuple(
            KindSeen(
                body=k.body,
                explained_mm2=k.explained_mm2,
                rms_mm=k.rms_mm,
                seat_mm=vector(k.T_scan_body[:3, 3]),
                axis=vector(k.T_scan_body[:3, 2]),
                clock=vector(k.T_scan_body[:3, 0]),
            )
            for k in found.kinds
        ),
        openings=tuple(o for o in openings if _is_beside(o, T, body)),
        by_hand=found.start is not None,
    )


def _spacing(surface: Surface, T: Floats, body: ReferenceBody) -> float:
    """Median length of the edges on and about the body, mm."""
    near = surface.points - T[:3, 3]
    close = np.einsum("ij,ij->i", near, near) < (body.height_mm + body.reach_mm) ** 2
    faces = surface.faces[close[surface.faces].all(axis=1)]
    if len(faces) == 0:
        return 0.0
    a, b = surface.points[faces[:, 0]], surface.points[faces[:, 1]]
    return float(np.median(np.linalg.norm(b - a, axis=1)))


def _is_beside(opening: Opening, T: Floats, body: ReferenceBody) -> bool:
    """Whether the opening's rim, taken as a circle, comes within BESIDE_MM of the body's surface."""
    at = apply(inverse(T), np.array([opening.centre_mm]))
    reach = FAR_MM + opening.diameter_mm
    return bool(body.tree.nearest(at, reach).distance_mm[0] - 0.5 * opening.diameter_mm < BESIDE_MM)


def _share(value: float | None) -> float | None:
    return None if value is None or not np.isfinite(value) else float(value)


def _shares(values: Floats) -> tuple[float | None, ...]:
    return tuple(_share(float(v)) for v in values)


BODIES = RecordMeasure(
    name="bodies.found",
    revision=7,
    result=BodiesResult,
    roles=frozenset({Role.JAW, Role.MARKERS}),
    compute=_measure,
    needs=(READING, SHELL, FACING),
    uses_bodies=True,
)
