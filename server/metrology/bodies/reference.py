"""A reference body made ready for search and fit: its outer surface, its profile, its index feature, its edges.

The frame of a body: seat at the origin, axis along +z away from the seat, clocking direction +x. Any body near a surface
of revolution will do, angular ones (a prism), and such that are round over a part of their height only; open at the seat or
closed, hollow inside or not: only what a scanner can see from outside and above the seat is used.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.spatial import cKDTree

from server.metrology.bodies.outside import open_side, samples_of
from server.metrology.bvh import BoxTree
from server.metrology.made_once import made_once
from server.metrology.rigid import small_motion, turn
from server.metrology.scan import Points, Scan, facet_centres

Floats = NDArray[np.float64]
Mask = NDArray[np.bool_]

MOST_MM = 30.0
"""No body is larger; what seems so is in another unit."""
MOST_ABOVE_SEAT_MM = 1.0
MOST_INDEX_SHARE = 0.5
"""Where turning carries more of it off itself, it is angular, has a wide crosspiece, or stands on another axis."""
FOLDS = (3, 4, 5, 6, 8)
LEAST_CARRIED_SHARE = 0.65
"""An angular body is one of which so much is carried onto itself by one part of a turn of these."""
LEAST_STEM_MM, STEM_STEP_MM, LEAST_ROUND_SHARE = 1.5, 0.25, 0.8
"""A body with a crosspiece is one that is round over this height at least."""
CREASE_DEG = 25.0
ROUNDING_MM, BLUR_MM = 0.2, 0.1
"""Radius to which scanners round edges at most, and how far they blur even a slight one."""
RADIUS_STEP_MM = 0.1
LEAST_RADIUS_SHARE = 0.12
ROUND_INWARD, LEAST_INWARD = 0.97, 0.85
CELL_MM = 0.1
TURNS = 24
INDEX_MM = 0.06


class UnusableReference(ValueError):
    """A reference body that cannot be searched for. The text says why and what to do."""


@dataclass(frozen=True, eq=False)
class ReferenceBody:
    """One kind of the body catalogue.

    id: as in the catalogue. points, normals: (n, 3) samples spread evenly over the outer surface, in the body's frame,
    normals outward. is_index: (n,) samples that a turn about the axis does not carry into the surface: flats, grooves.
    radii_mm: at which distances along the normal the sides lie from the axis. outer: the facets of the outer surface.
    creases: (m, 3) points along sharp edges, 0.05 mm apart; crease_reach_mm: (m,) how far from them scanners may round the
    surface. area_per_sample_mm2: what one sample stands for.
    """

    id: str
    points: Points
    normals: Points
    is_index: Mask
    radii_mm: tuple[float, ...]
    outer: Scan
    creases: Points
    crease_reach_mm: Floats
    area_per_sample_mm2: float

    @made_once
    def height_mm(self) -> float:
        return float(self.points[:, 2].max())

    @made_once
    def reach_mm(self) -> float:
        """Largest distance of the outer surface from the axis."""
        return float(np.hypot(self.points[:, 0], self.points[:, 1]).max())

    @made_once
    def has_plain_top(self) -> bool:
        """Whether part of what faces up near the top is the same after any turn about the axis."""
        is_up = (self.normals[:, 2] > 0.5) & (self.points[:, 2] > 0.5 * self.height_mm)
        return bool((is_up & ~self.is_index).sum() > 0.1 * is_up.sum())

    @made_once
    def foot_mm(self) -> float:
        """Largest distance of the lowest millimetre from the axis: what stands on the tissue."""
        is_low = self.points[:, 2] < self.points[:, 2].min() + 1.0
        return float(np.hypot(self.points[is_low, 0], self.points[is_low, 1]).max())

    @made_once
    def girth_mm(self) -> float:
        """Largest distance of the outer surface from the seat."""
        return float(np.linalg.norm(self.points, axis=1).max())

    @made_once
    def is_round(self) -> bool:
        """Whether most of it lies on a surface of revolution."""
        return float(self.is_index.mean()) <= MOST_INDEX_SHARE

    @property
    def area_mm2(self) -> float:
        return len(self.points) * self.area_per_sample_mm2

    @made_once
    def tree(self) -> BoxTree:
        return BoxTree(self.outer)

    @made_once
    def crease_tree(self) -> cKDTree | None:
        return cKDTree(self.creases) if len(self.creases) else None

    @made_once
    def facet_normals(self) -> Points:
        """(m, 3) outward unit normals of the facets of `outer`."""
        a, b, c = (self.outer.vertices[self.outer.faces[:, k]] for k in range(3))
        n = np.cross(b - a, c - a)
        return np.asarray(n / np.linalg.norm(n, axis=1, keepdims=True))

    @made_once
    def is_top(self) -> Mask:
        """(n,) samples of the surface that faces along the axis within 0.3 mm of the highest."""
        return np.asarray((self.points[:, 2] > self.height_mm - 0.3) & (self.normals[:, 2] > 0.8))


def reference_body(body_id: str, mesh: Scan) -> ReferenceBody:
    """The body made ready. mesh: in the body's frame, mm; closed or open, either winding.

    Raises UnusableReference where hardly anything of it stands above the seat, where it begins far above it, where it is
    too large for any body, or where its sides do not lie round its axis.
    """
    if mesh.n_faces == 0:
        raise UnusableReference(f"the reference body {body_id} has no surface")
    size = np.ptp(mesh.vertices[np.unique(mesh.faces)], axis=0)
    if size.max() > MOST_MM:
        raise UnusableReference(
            f"the reference body {body_id} would be {size.max():.0f} mm long; check the unit of its entry"
        )
    points, normals, facets, step2 = samples_of(mesh)
    side = open_side(BoxTree(mesh), points, normals)
    is_outer = (side != 0) & (points[:, 2] > -0.02)
    normals = normals * np.where(side == 0, 1, side)[:, None]
    is_outer &= normals[:, 2] > -0.7  # the underside, where it is closed at the seat
    kept = _kept_facets(mesh, facets, is_outer)
    is_outer &= kept[facets]
    if is_outer.sum() < 200:
        raise UnusableReference(
            f"hardly anything of the reference body {body_id} can be seen from outside above its seat; "
            "check the seat, the axis and the unit of its entry"
        )
    lowest = float(points[is_outer, 2].min())
    if lowest > MOST_ABOVE_SEAT_MM:
        raise UnusableReference(
            f"the reference body {body_id} begins {lowest:.1f} mm above its seat; check the seat of its entry"
        )
    outer = _outer_facets(mesh, facets, kept, side)
    points, normals = points[is_outer], normals[is_outer]
    is_index = _off_the_turned_surface(points, outer)
    is_round = is_index.mean() <= MOST_INDEX_SHARE
    sides = (
        ~is_index if is_round or _has_stem(points, normals, is_index) else np.ones(len(points), dtype=bool)
    )
    radii = _side_radii(
        points[sides], normals[sides], LEAST_INWARD if sides.all() and not is_round else ROUND_INWARD
    )
    if not radii or not (is_round or not sides.all() or _is_angular(points, outer)):
        raise UnusableReference(
            f"the sides of the reference body {body_id} do not lie round its axis; "
            "check the axis and the seat of its entry"
        )
    return ReferenceBody(body_id, points, normals, is_index, radii, outer, *_creases(outer), step2)


def _kept_facets(mesh: Scan, facets: NDArray[np.int64], is_outer: Mask) -> Mask:
    """The facets most of whose samples are outer; those too small for a sample go with the nearest that has one."""
    votes = np.bincount(facets[is_outer], minlength=mesh.n_faces)
    total = np.bincount(facets, minlength=mesh.n_faces)
    keep = votes * 2 >= np.maximum(total, 1)
    lone, nearest = _without_samples(mesh, total)
    keep[lone] = keep[nearest]
    return keep


def _outer_facets(mesh: Scan, facets: NDArray[np.int64], keep: Mask, side: NDArray[np.int64]) -> Scan:
    """The facets kept, wound outward."""
    turned = np.bincount(facets, weights=side, minlength=mesh.n_faces) < 0
    lone, nearest = _without_samples(mesh, np.bincount(facets, minlength=mesh.n_faces))
    turned[lone] = turned[nearest]
    faces = mesh.faces[keep].copy()
    back = turned[keep]
    faces[back] = faces[back][:, ::-1]
    a, b, c = (mesh.vertices[faces[:, k]] for k in range(3))
    area = np.linalg.norm(np.cross(b - a, c - a), axis=1)
    return Scan(mesh.vertices, np.ascontiguousarray(faces[area > 1e-12]))


def _without_samples(mesh: Scan, total: NDArray[np.int64]) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    """Facets that hold no sample, and for each the nearest that holds one."""
    lone, held = np.flatnonzero(total == 0), np.flatnonzero(total)
    if len(lone) == 0 or len(held) == 0:
        return lone[:0], lone[:0]
    centre = facet_centres(mesh.vertices, mesh.faces)
    return lone, held[cKDTree(centre[held]).query(centre[lone])[1]]


def _off_the_turned_surface(points: Points, outer: Scan) -> Mask:
    """Which samples most turns about the axis carry off the surface."""
    tree = BoxTree(outer)
    met = np.zeros(len(points), dtype=np.int64)
    for angle in np.arange(TURNS) * 2.0 * np.pi / TURNS:
        spin = small_motion(np.array([0.0, 0.0, angle, 0.0, 0.0, 0.0]))
        met += tree.nearest(turn(spin, points), INDEX_MM).facets >= 0
    return np.asarray(met < TURNS / 2)


def _has_stem(points: Points, normals: Points, is_index: Mask) -> bool:
    """Whether the sides are round about the axis over LEAST_STEM_MM of its height without a gap."""
    is_side = np.hypot(normals[:, 0], normals[:, 1]) > 0.8
    step = np.maximum(points[is_side, 2] / STEM_STEP_MM, 0.0).astype(np.int64)
    counts = np.bincount(step)
    is_round = np.bincount(step, weights=~is_index[is_side]) > LEAST_ROUND_SHARE * counts
    longest = run = 0
    for one in is_round & (counts > 0):
        run = run + 1 if one else 0
        longest = max(longest, run)
    return longest * STEM_STEP_MM >= LEAST_STEM_MM


def _is_angular(points: Points, outer: Scan) -> bool:
    """Whether one third, fourth, fifth, sixth or eighth of a turn carries the body onto itself, as it does a prism."""
    tree = BoxTree(outer)
    for fold in FOLDS:
        spin = small_motion(np.array([0.0, 0.0, 2.0 * np.pi / fold, 0.0, 0.0, 0.0]))
        if (tree.nearest(turn(spin, points), INDEX_MM).facets >= 0).mean() > LEAST_CARRIED_SHARE:
            return True
    return False


def _side_radii(points: Points, normals: Points, least_inward: float) -> tuple[float, ...]:
    """The commonest distances, along the normal, of the sides from the axis. least_inward: cosine of the angle by which a
    normal may miss the axis, as those of a flat side do beside its middle."""
    aside = np.hypot(normals[:, 0], normals[:, 1])
    r = np.hypot(points[:, 0], points[:, 1])
    is_side = (aside > 0.8) & (r > 0.3)
    if is_side.sum() < 100:
        return ()
    inward = np.einsum("ij,ij->i", points[is_side, :2], normals[is_side, :2]) / (r[is_side] * aside[is_side])
    rho = (inward * r[is_side] / aside[is_side])[inward > least_inward]
    radii: list[float] = []
    while len(rho) > LEAST_RADIUS_SHARE * is_side.sum():
        counts = np.bincount((rho / RADIUS_STEP_MM).astype(np.int64))
        centre = float(np.median(rho[(rho / RADIUS_STEP_MM).astype(np.int64) == counts.argmax()]))
        near = np.abs(rho - centre) < 1.5 * RADIUS_STEP_MM
        if near.sum() < LEAST_RADIUS_SHARE * is_side.sum():
            break
        radii.append(float(rho[near].mean()))
        rho = rho[~near]
    return tuple(radii)


def _creases(outer: Scan) -> tuple[Points, Floats]:
    """Points along the edges where the outer surface turns by more than CREASE_DEG, and along none that is open; and how
    far rounding reaches from each: an arc that touches both sides ends at its radius times the tangent of half the turn."""
    faces = outer.faces.astype(np.int64)
    edges = np.sort(np.concatenate([faces[:, (0, 1)], faces[:, (1, 2)], faces[:, (2, 0)]]), axis=1)
    owner = np.tile(np.arange(len(faces)), 3)
    key = edges[:, 0] * outer.n_vertices + edges[:, 1]
    order = np.argsort(key, kind="stable")
    pair = np.flatnonzero(key[order][1:] == key[order][:-1])
    one, two = order[pair], order[pair + 1]
    a, b, c = (outer.vertices[faces[:, k]] for k in range(3))
    n = np.cross(b - a, c - a)
    n /= np.maximum(np.linalg.norm(n, axis=1, keepdims=True), 1e-15)
    cosine = np.einsum("ij,ij->i", n[owner[one]], n[owner[two]])
    sharp = cosine < np.cos(np.radians(CREASE_DEG))
    half = np.sqrt((1.0 - cosine[sharp]) / np.maximum(1.0 + cosine[sharp], 1e-6))
    reach = np.clip(ROUNDING_MM * half, BLUR_MM, ROUNDING_MM)
    made = [_along(start, end) for start, end in outer.vertices[edges[one[sharp]]]]
    if not made:
        return np.zeros((0, 3)), np.zeros(0)
    return np.concatenate(made), np.repeat(reach, [len(points) for points in made])


def _along(start: Floats, end: Floats) -> Points:
    n = max(2, int(np.ceil(np.linalg.norm(end - start) / 0.05)) + 1)
    return np.asarray(start + np.linspace(0.0, 1.0, n)[:, None] * (end - start))
