"""What is left of a denture beside a scan body and its screw channel, once both are cut out of it.

A wall ends on the denture's outer side. Its other side, which lay on tissue and bodies, faces them and is told by that:
it looks at the body, or at tissue or another body within reach of it.

The least of many ways that scatter is one that scatter made shorter: what the least of as many is expected to fall short by is
put back, so that a broad wall of one thickness is not read thinner than a narrow one (Blom 1958, from memory).
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from server.metrology.bodies.reference import ReferenceBody
from server.metrology.bvh import BoxTree
from server.metrology.quantiles import normal_quantile
from server.metrology.registration.surface import Surface
from server.metrology.rigid import apply, inverse, turn
from server.metrology.scan import Scan, facet_centres
from server.metrology.topology import topology_of

Floats = NDArray[np.float64]
Mask = NDArray[np.bool_]

REACH_MM = 4.5
"""Walls are looked for this far from a body: beyond the 3 mm that count, so that one of 3 mm is still measured."""
ALIKE = 0.3
"""Least cosine between the outer side and the body's own side that it covers."""
UNDERSIDE = -0.5
LAID_ON_MM = 1.2
"""What lies before a place of the denture within this, and faces it, is what the denture lay on."""
INTO_MM = 0.6
CHANNEL_RADIUS_MM = 1.25
"""Common practice: a screw channel of 2.5 mm."""
TAPER_MM = 1.5
"""Toward the rim at which the channel comes out every wall ends in nothing: the last of it does not count."""
UPRIGHT = 0.7
"""Least cosine between a wall of the channel and the way out from its axis."""
OTHER_FACE = 0.5
"""The face on which the channel comes out is no wall of it; walls are faces turned from that by more than 60°."""
LEAST_FACE_MM2 = 1.0
STEPS = 30
COMPETING_SCATTERS = 3.0
"""Points within so many scatters of the least way might each as well have been the least."""


@dataclass(frozen=True, slots=True)
class Wall:
    """A least wall, and the place of the outer side where it ends (3,)."""

    wall_mm: float
    at: Floats


@dataclass(frozen=True, slots=True)
class Standing:
    """A body where it stands in the denture's frame: its kind, T (4, 4) denture from body, and the way along the axis at which
    its channel comes out with the normal (3,) of that face; None where that is not known."""

    kind: ReferenceBody
    T: Floats
    leaves_mm: float | None
    leaves_normal: Floats | None


_WallOf = Callable[[BoxTree, Floats, Standing, float], Wall | None]


@dataclass(frozen=True, slots=True)
class Walls:
    """The least wall beside the body, and beside its channel above it; None where no outer side is within REACH_MM."""

    body: Wall | None
    channel: Wall | None


def least_walls(
    denture: Surface,
    body: Standing,
    others: Sequence[Standing],
    laid_on: Sequence[Surface],
    impression: Mask | None = None,
    scatter_mm: float = 0.0,
) -> Walls:
    """The thinnest walls beside a body and its channel. others: the bodies beside it; laid_on: surfaces that the denture lay
    on, in its frame, scanned side out; impression: (m,) facets known to be of its impression side, where they are; scatter_mm: of
    the denture's points."""
    near = _near(denture, body)
    if impression is not None:
        near = near[~impression[near]]
    if len(near) == 0:
        return Walls(None, None)
    beside = near[_beside_body(denture, near, body)]
    above = near[_beside_channel(denture, near, body)]
    return Walls(
        _of_faces(denture, beside, body, others, laid_on, _body_wall, scatter_mm),
        _of_faces(denture, above, body, others, laid_on, _channel_wall, scatter_mm),
    )


def _near(denture: Surface, body: Standing) -> NDArray[np.int64]:
    """Facets with a corner in the cylinder about body and channel, REACH_MM wider."""
    local = apply(inverse(body.T), denture.topology.scan.vertices)
    top = body.leaves_mm or body.kind.height_mm
    wide = body.kind.reach_mm + REACH_MM
    inside = (
        (np.hypot(local[:, 0], local[:, 1]) < wide)
        & (local[:, 2] > -REACH_MM)
        & (local[:, 2] < top + REACH_MM)
    )
    return np.flatnonzero(inside[denture.topology.scan.faces].any(axis=1))


def _middles(denture: Surface, facets: NDArray[np.int64]) -> Floats:
    scan = denture.topology.scan
    return np.asarray(facet_centres(scan.vertices, scan.faces[facets]))


def _beside_body(denture: Surface, facets: NDArray[np.int64], body: Standing) -> Mask:
    """Facets that face away from the body's side or top, as an outer side over it does."""
    back = inverse(body.T)
    met = body.kind.tree.nearest(apply(back, _middles(denture, facets)), REACH_MM)
    theirs = body.kind.facet_normals[np.maximum(met.facets, 0)]
    own = turn(back, denture.topology.normals[facets])
    alike = np.einsum("ij,ij->i", own, theirs)
    return np.asarray((met.facets >= 0) & (alike > ALIKE) & (theirs[:, 2] > UNDERSIDE))


def _beside_channel(denture: Surface, facets: NDArray[np.int64], body: Standing) -> Mask:
    """Facets beside the channel that face away from it, but for the face on which it comes out."""
    if body.leaves_mm is None or body.leaves_normal is None:
        return np.zeros(len(facets), dtype=bool)
    back = inverse(body.T)
    local, own = apply(back, _middles(denture, facets)), turn(back, denture.topology.normals[facets])
    radial = local[:, :2] / np.maximum(np.linalg.norm(local[:, :2], axis=1), 1e-9)[:, None]
    is_beside = (local[:, 2] > body.kind.height_mm) & (local[:, 2] < body.leaves_mm - TAPER_MM)
    other = denture.topology.normals[facets] @ body.leaves_normal < OTHER_FACE
    return np.asarray(is_beside & other & (np.einsum("ij,ij->i", own[:, :2], radial) > UPRIGHT))


def _of_faces(
    denture: Surface,
    facets: NDArray[np.int64],
    body: Standing,
    others: Sequence[Standing],
    laid_on: Sequence[Surface],
    wall_of: _WallOf,
    scatter_mm: float,
) -> Wall | None:
    facets = facets[~_lay_on(denture, facets, others, laid_on)]
    if len(facets) == 0:
        return None
    outer = _in_large(denture.topology.scan.vertices, denture.topology.scan.faces[facets])
    return wall_of(BoxTree(outer), outer.vertices, body, scatter_mm) if outer.n_faces else None


def _in_large(vertices: Floats, faces: NDArray[np.int32]) -> Scan:
    """The facets that hang together over LEAST_FACE_MM2: a few slivers by a torn edge, whose normals mean nothing, are no outer
    side."""
    topology = topology_of(Scan(vertices, faces))
    faces = faces[topology.shell_areas_mm2[topology.face_shell] >= LEAST_FACE_MM2]
    return Scan(vertices, faces).part(faces)


def short_by_mm(ways_mm: Floats, scatter_mm: float) -> float:
    """By how much the least of ways (n,) that scatter is expected to fall short of the least without scatter."""
    n = int(np.count_nonzero(ways_mm <= np.min(ways_mm) + COMPETING_SCATTERS * scatter_mm))
    return float(scatter_mm * normal_quantile(1.0 - (1.0 - 0.375) / (n + 0.25)))


def _lay_on(
    denture: Surface, facets: NDArray[np.int64], others: Sequence[Standing], laid_on: Sequence[Surface]
) -> Mask:
    """Facets of the impression side: before them, or just behind, lies a surface that faces them."""
    middles, normals = _middles(denture, facets), denture.topology.normals[facets]
    lay = np.zeros(len(facets), dtype=bool)
    for surface in laid_on:
        lay |= _faces(surface.tree, surface.topology.normals, middles, normals)
    for other in others:
        back = inverse(other.T)
        lay |= _faces(other.kind.tree, other.kind.facet_normals, apply(back, middles), turn(back, normals))
    return lay


def _faces(tree: BoxTree, their_normals: Floats, middles: Floats, normals: Floats) -> Mask:
    hits = tree.first_hits(middles - INTO_MM * normals, normals, INTO_MM + LAID_ON_MM)
    against = np.einsum("ij,ij->i", their_normals[np.maximum(hits.facets, 0)], normals)
    return np.asarray((hits.facets >= 0) & (against < -ALIKE))


def _body_wall(outer: BoxTree, vertices: Floats, body: Standing, scatter_mm: float) -> Wall | None:
    """The shortest way between the outer side and the body, from the nearest vertex on by going to and fro (von Neumann 1950)."""
    back = inverse(body.T)
    far = body.kind.tree.nearest(apply(back, vertices), REACH_MM)
    if not np.isfinite(far.distance_mm).any():
        return None
    inside = apply(body.T, far.points[int(np.argmin(far.distance_mm))][None])
    for _ in range(STEPS):
        outside = outer.nearest(inside)
        inside = apply(body.T, body.kind.tree.nearest(apply(back, outside.points)).points)
    ends = outer.nearest(inside)
    return Wall(float(ends.distance_mm[0]) + short_by_mm(far.distance_mm, scatter_mm), ends.points[0])


def _channel_wall(outer: BoxTree, vertices: Floats, body: Standing, scatter_mm: float) -> Wall | None:
    """The same for the channel, a cylinder about the axis from the body's top to where it comes out."""
    back = inverse(body.T)
    local = apply(back, vertices)
    low, high = body.kind.height_mm, body.leaves_mm or body.kind.height_mm
    height = np.clip(local[:, 2], low, high)
    far = np.hypot(np.hypot(local[:, 0], local[:, 1]), local[:, 2] - height)
    on_axis = np.array([[0.0, 0.0, float(height[int(np.argmin(far))])]])
    for _ in range(STEPS):
        outside = outer.nearest(apply(body.T, on_axis))
        on_axis[0, 2] = float(np.clip(apply(back, outside.points)[0, 2], low, high))
    ends = outer.nearest(apply(body.T, on_axis))
    wall = float(ends.distance_mm[0]) + short_by_mm(far, scatter_mm) - CHANNEL_RADIUS_MM
    return Wall(max(wall, 0.0), ends.points[0]) if wall < REACH_MM else None
