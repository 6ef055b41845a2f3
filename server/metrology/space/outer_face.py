"""On which face of the denture a place lies: chewing, inner or outer; and how far it is from the edge or outer cusps.

Seen from the other jaw, across the arch, a tooth's profile rises to its edge or, behind, to two rows of cusps. The row of
highest places that lies farthest to the outside is the facial crest: outside of it is the outer face.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import gaussian_filter

from server.metrology.bvh import BoxTree
from server.metrology.scan import Points

Floats = NDArray[np.float64]

STEP_MM = 0.2
ALONG_MM, INWARD_MM, OUTWARD_MM = 5.0, 13.0, 13.0
OWN_MM, FACIAL_SHARE, BESIDE_MM = 2.0, 0.75, 1.5
"""The facial crest of a place is that of most sections this near to it: between two teeth one may show the inner cusps alone.
Places of it lie within BESIDE_MM of each other across the arch."""
BLUR_CELLS = 1.0
DEEP_MM = 3.2
"""A crest of a crown is no lower than this below the highest place of its section."""
PROMINENT_MM = 0.25
LEVEL_MM = 0.05
"""A crest is as broad as the places that are this near to its top."""
ABOVE_MM = 40.0


class Face(StrEnum):
    CHEWING = "chewing"
    INNER = "inner"
    OUTER = "outer"


@dataclass(frozen=True, slots=True)
class FacePlace:
    """crest_mm: distance to the nearest place of the facial crest, which crest_at (3,) is; u95_mm: of that, from how broad the
    crest is; inside_mm: how far inside of the crest the place lies, across the arch, - outside."""

    face: Face
    crest_mm: float
    u95_mm: float
    crest_at: Floats
    inside_mm: float


def face_at(tree: BoxTree, place: Floats, occlusal: Floats, outward: Floats) -> FacePlace | None:
    """The face that a place (3,) on a denture lies on. occlusal: (3,) unit toward the other jaw; outward: (3,) unit, square to
    it, toward lip or cheek. None where the scan shows no crest there."""
    along = np.cross(occlusal, outward)
    s = np.arange(-ALONG_MM, ALONG_MM + 1e-9, STEP_MM)
    rows = _profiles(tree, place, (along, outward, occlusal), s)
    there = [(float(s[k]), row) for k, row in enumerate(rows) if row is not None]
    own = [row for along_mm, row in there if abs(along_mm) <= OWN_MM]
    if not own:
        return None
    line = float(np.quantile([row.crest_t for row in own], FACIAL_SHARE))
    facial = [(along_mm, row) for along_mm, row in there if row.crest_t > line - BESIDE_MM]
    at = np.array([[along_mm, row.crest_t, row.crest_h] for along_mm, row in facial])
    far = np.linalg.norm(at, axis=1)
    nearest = int(far.argmin())
    x, y, h = at[nearest]
    half = facial[nearest][1].half_width
    return FacePlace(
        face=_face(own, line),
        crest_mm=float(far[nearest]),
        u95_mm=float(np.hypot(half, STEP_MM / 2.0)),
        crest_at=place + x * along + y * outward + h * occlusal,
        inside_mm=line,
    )


@dataclass(frozen=True, slots=True)
class _Profile:
    """crest_t, crest_h: of the facial crest from the place asked about; half_width of it; inner_t: the inner row of cusps,
    None where there is one row only."""

    crest_t: float
    crest_h: float
    half_width: float
    inner_t: float | None


def _profiles(
    tree: BoxTree, place: Floats, frame: tuple[Floats, Floats, Floats], s: Floats
) -> list[_Profile | None]:
    """The sections across the arch at ways s (n,) along it. frame: along, outward and occlusal direction."""
    along, outward, occlusal = frame
    t = np.arange(-INWARD_MM, OUTWARD_MM + 1e-9, STEP_MM)
    S, T = np.meshgrid(s, t, indexing="ij")
    above = place + S[..., None] * along + T[..., None] * outward + ABOVE_MM * occlusal
    down = np.broadcast_to(-occlusal, above.shape).reshape(-1, 3).copy()
    way = tree.first_hits(above.reshape(-1, 3), down, 2.0 * ABOVE_MM).distance_mm
    return [_profile(t, row) for row in _evened(ABOVE_MM - way.reshape(S.shape))]


def crest_place(tree: BoxTree, place: Floats, occlusal: Floats, outward: Floats) -> Floats | None:
    """The place (3,) of the edge or outer cusps in the section across the arch through a place (3,). None where the scan shows
    no crest there."""
    s = np.arange(-2.0 * STEP_MM, 2.0 * STEP_MM + 1e-9, STEP_MM)
    row = _profiles(tree, place, (np.cross(occlusal, outward), outward, occlusal), s)[2]
    return None if row is None else place + row.crest_t * outward + row.crest_h * occlusal


def _evened(height: Floats) -> Floats:
    """Heights with the scatter of the scan evened out; nan where nothing is met."""
    there = np.isfinite(height)
    weight = gaussian_filter(there.astype(float), BLUR_CELLS)
    filled = gaussian_filter(np.where(there, height, 0.0), BLUR_CELLS)
    return np.where(there, filled / np.maximum(weight, 1e-9), np.nan)


def _profile(t: Floats, h: Floats) -> _Profile | None:
    there = np.isfinite(h)
    if there.sum() < 5:
        return None
    low = np.where(there, h, -np.inf)
    tops = _tops(low, float(low.max()) - DEEP_MM)
    if not tops:
        return None
    facial = tops[-1]
    level = low > low[facial] - LEVEL_MM
    first, last = facial, facial
    while first > 0 and level[first - 1]:
        first -= 1
    while last < len(t) - 1 and level[last + 1]:
        last += 1
    return _Profile(
        crest_t=float(0.5 * (t[first] + t[last])),
        crest_h=float(h[facial]),
        half_width=float(0.5 * (t[last] - t[first])),
        inner_t=float(t[tops[0]]) if len(tops) > 1 else None,
    )


def _tops(h: Floats, least: float) -> list[int]:
    """Places of the tops of a profile that stand out from the lows beside them, from inside to outside."""
    tops: list[int] = []
    for k in np.flatnonzero((h >= np.roll(h, 1)) & (h >= np.roll(h, -1)) & (h > least)):
        if tops:
            low = float(h[tops[-1] : k + 1].min())
            if min(h[tops[-1]], h[k]) - low < PROMINENT_MM:
                tops[-1] = int(k) if h[k] > h[tops[-1]] else tops[-1]
                continue
        tops.append(int(k))
    return tops


def _face(own: list[_Profile], line_t: float) -> Face:
    """The place asked about lies at t = 0. own: the sections beside it; line_t: of the facial crest."""
    half = float(np.median([row.half_width for row in own]))
    if line_t + half < 0.0:
        return Face.OUTER
    inner = [row.inner_t for row in own if row.inner_t is not None and row.inner_t < line_t - BESIDE_MM]
    return Face.CHEWING if inner and float(np.median(inner)) < 0.0 else Face.INNER


def across_arch(
    place: Points, frame: tuple[Floats, Floats, Floats], curve: tuple[float, float, float]
) -> Floats:
    """(3,) unit: from a place toward lip or cheek, square to the arch's curve at its foot. frame: origin, side, front."""
    origin, side, front = frame
    x, y = float((place - origin) @ side), float((place - origin) @ front)
    a, b, c = curve
    grid = np.linspace(-60.0, 60.0, 2401)
    foot = grid[int(np.argmin((grid - x) ** 2 + (a + b * grid + c * grid**2 - y) ** 2))]
    out = front - (b + 2.0 * c * foot) * side
    return np.asarray(out / np.linalg.norm(out))
