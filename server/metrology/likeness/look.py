"""What a scan looks like, as shares of belief over a few looks; from its shape alone, in any frame.

The tests follow on each other, each where those before have not answered: nothing but copies of a small thing; closed all
round; a band of two jaws, or two jaws face to face; posts; teeth. Each gives a belief, not a verdict, so that what lies
between two looks is said to. The constants are what is generally true of such scans, given with a margin to either side.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from enum import StrEnum

import numpy as np
from scipy.spatial import cKDTree

from server.metrology.bodies.cells import thinned
from server.metrology.likeness.creases import crease_ratio
from server.metrology.likeness.outline import Outline, outline_of
from server.metrology.likeness.posts import near_posts, posts_in
from server.metrology.topology import Topology

CELL_MM = 0.6
SMALL_MM = 30.0
"""No reference body is longer (as for the catalogue); half an arch is."""
LEAST_CELLS = 50
TIGHT_MM = 30.0
"""A bite scan is a band about as high as two crowns and some gum; an arch is 45 mm deep or more."""
OPEN_RATIO = 0.15
BASE_RATIO = 0.10
"""Share of the area in one plane: of a denture's hardly any, of a jaw put on a base the base."""
CREASED_RATIO = 0.007
"""Creases: of an arch of teeth some hundredths of its area, of a ridge some thousandths."""
BESIDE_MM = 1.5


class Look(StrEnum):
    BODIES_ALONE = "bodies-alone"
    CLOSED_ALL_ROUND = "closed-all-round"
    JAWS_CLOSED = "jaws-closed"
    ARCH_WITH_POSTS = "arch-with-posts"
    ARCH_WITH_TEETH = "arch-with-teeth"
    BARE_ARCH = "bare-arch"
    UNTOLD = "untold"
    """Too little of it, or too coarse, to say anything."""


@dataclass(frozen=True, slots=True)
class Likeness:
    """shares: belief in each look, 1 in all. What they rest on: outline, the posts found (whole: seen all round), the share
    of the surface in creases."""

    shares: dict[Look, float]
    outline: Outline
    n_whole_posts: int
    n_half_posts: int
    crease_ratio: float

    @property
    def likeliest(self) -> Look:
        return max(self.shares, key=lambda look: self.shares[look])


def likeness_of(topology: Topology) -> Likeness:
    """What a scan looks like. topology: of the scan in mm, wound with the side out that
    faced the scanner. Linear in facets; a tenth of a second for an arch."""
    scan = topology.scan
    cells = thinned(scan.vertices, topology.vertex_normals, topology.vertex_areas_mm2, CELL_MM)
    outline = outline_of(topology)
    if len(cells.points) < LEAST_CELLS:
        return Likeness({Look.UNTOLD: 1.0}, outline, 0, 0, 0.0)
    near = cKDTree(cells.points)
    posts = posts_in(cells, near)
    on_posts = near_posts(cells, posts, BESIDE_MM)
    creases = crease_ratio(cells, near, _border(topology), on_posts)
    whole = sum(post.is_whole for post in posts)
    half = len(posts) - whole
    return Likeness(_shares(outline, whole, half, creases), outline, whole, half, creases)


def _border(topology: Topology) -> np.ndarray[tuple[int, int], np.dtype[np.float64]]:
    corners = np.unique(topology.scan.faces.ravel()[topology.border_half_edges])
    return np.asarray(topology.scan.vertices[corners])


def _shares(outline: Outline, whole: int, half: int, creases: float) -> dict[Look, float]:
    teeth = _above(creases, CREASED_RATIO, 4.0)
    tests = (
        (Look.BODIES_ALONE, _alone(outline, whole)),
        (Look.CLOSED_ALL_ROUND, _closed(outline)),
        (Look.JAWS_CLOSED, _jaws_closed(outline)),
        (Look.ARCH_WITH_POSTS, _posts(whole, half, teeth)),
        (Look.ARCH_WITH_TEETH, teeth),
    )
    left, shares = 1.0, {}
    for look, belief in tests:
        shares[look] = left * belief
        left *= 1.0 - belief
    shares[Look.BARE_ARCH] = left
    return shares


def _above(value: float, middle: float, steepness: float) -> float:
    """A belief that grows from 0 to 1 with a value, one half at the middle."""
    return 1.0 / (1.0 + math.pow(middle / max(value, 1e-9), steepness))


def _alone(outline: Outline, whole: int) -> float:
    """Bodies and nothing else: several small parts, posts or copies of one thing."""
    if outline.n_parts < 2 or outline.part_span_mm > SMALL_MM:
        return 0.0
    alike = max(whole, outline.n_copies)
    if alike >= 3 or (alike == 2 and whole == 2 and outline.n_parts == 2):
        return 0.99 if alike >= 0.7 * outline.n_parts else 0.7
    return 0.5


def _closed(outline: Outline) -> float:
    """Closed all round, or all but for an opening; not where it stands on a base, as a jaw's model does."""
    closed = 1.0 - _above(outline.opening_ratio, OPEN_RATIO, 4.0)
    return closed * (1.0 - _above(outline.base_ratio, BASE_RATIO, 4.0))


def _jaws_closed(outline: Outline) -> float:
    """Two jaws closed: two parts in one band, or face to face, or a denture all round and the jaw it bites on. One part in a
    band may be a bite whose jaws were fused, or half an arch."""
    tight = 1.0 - _above(outline.breadth_mm, TIGHT_MM, 12.0)
    if outline.n_parts == 1:
        return 0.8 * tight
    closed = sum(ratio < OPEN_RATIO for ratio in outline.opening_ratios)
    opposed = 0.9 if outline.faces_itself_cos < -0.5 else 0.8 if closed == 1 else 0.05
    return max(0.99 * tight, opposed) if outline.n_parts == 2 else max(0.7 * tight, 0.5 * opposed)


def _posts(whole: int, half: int, teeth: float) -> float:
    """Scan bodies on an arch, which carries several. Crowns give a few half posts, seldom a whole one; a bare ridge gives
    none, but an abutment that stands free on one side may be one."""
    if whole >= 2:
        return 0.99
    if whole == 1:
        return 0.9 - 0.4 * teeth if half else 0.4 - 0.3 * teeth
    on_bare = 0.85 if half >= 3 else 0.3 if half == 2 else 0.04 if half == 1 else 0.01
    return on_bare * (1.0 - teeth) + 0.01 * teeth
