"""A sketch of a surface that is small, is made once, and still tells how much of one surface is found in another.

Every facet that has three neighbours is described by nine edge lengths: its own three and the two further ones of each
neighbour, all divided by their mean. They do not change when a scan is moved, renumbered, written in another unit or
turned inside out, and they survive rounding to a few decimals because they are counted in cells, on two grids set off
by half a cell. The cells of the first grid are hashed; of all facets those with the smallest hashes are kept (bottom-k
sampling, after Broder 1997: two sketches choose the same facets without knowing of each other). Facets of two sketches
are the same where they fall into the same cells and all of them differ by one and the same factor of size. The second
grid tells how many facets rounding has thrown into another cell on one grid alone, so that the share found can be
corrected for it, as in a count by capture and recapture (Lincoln 1930). Both sources from memory.

Not seen: a decimated, smoothed or remeshed copy has other facets and is another surface here. So has one whose
coordinates are rounded more coarsely than about a hundredth of an edge (two decimals of a millimetre). A surface whose
facets are mostly alike (a regular grid, a body drawn from dimensions) has no likeness to be known by: the answer is
None, not a guess. Shares are of facets, which are shares of area where a scan is meshed evenly, as scans are.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from server.metrology.facet_words import N_LENGTHS, SIZE_STEP, Hashes, Tags, describe
from server.metrology.topology import Topology

KEPT_FACETS = 4_000
"""Facets in a sketch: 64 kB of text; sampling alone then leaves 0.007 (one sigma) at a share of one quarter."""
CROWD = 8
"""Facets alike in one surface beyond which they are left out: they say nothing, and one such crowd could fill a sketch."""
LEAST_DISTINCT_RATIO = 0.25
"""Share of described facets that must be unlike all others."""
LEAST_COMPARED = 25
"""Facets of a sketch that must be comparable before anything is said."""
LEAST_KEPT_RATIO = 0.25
"""Where fewer of the matching facets agree on the second grid as well, the share found is not corrected."""
SIZE_SLACK_STEPS = 2
"""Sizes that differ by so many steps (0.22 %) from the common factor are taken to be the same."""
INDEX_SHARE = 1.0 / 4096.0
INDEX_FEWEST, INDEX_MOST = 16, 128
FEWEST_SHARED_KEYS = 3
"""Index keys that a likely twin has in common with a surface. Foreign scans of a mouth share none or one."""

_ALL = np.uint64(0xFFFFFFFFFFFFFFFF)


@dataclass(frozen=True, slots=True)
class Sketch:
    """hashes: (k,) uint64, ascending; complete below `bound`, crowds left out. tags: (k,) uint32, see `describe`.

    n_described: facets with three neighbours. distinct_ratio: share of them that are unlike all others.
    """

    hashes: Hashes
    tags: Tags
    bound: int
    n_described: int
    distinct_ratio: float

    @property
    def can_be_known(self) -> bool:
        return len(self.hashes) >= LEAST_COMPARED and self.distinct_ratio >= LEAST_DISTINCT_RATIO


@dataclass(frozen=True, slots=True)
class Share:
    """How much of one surface is found in another: the middle and half width of the 95 % interval, within 0 and 1.

    n_compared: facets of the sample. is_mirrored: whether the found part is a mirror image; None where too little was
    found to tell. scale_ratio: size of the other surface over this one's, 1 to within 0.2 % where none was changed.
    """

    share_ratio: float
    u95_ratio: float
    n_compared: int
    is_mirrored: bool | None
    scale_ratio: float


IDENTICAL = Share(share_ratio=1.0, u95_ratio=0.0, n_compared=0, is_mirrored=False, scale_ratio=1.0)
"""Two files of the same bytes."""


def sketch_of(topology: Topology) -> Sketch:
    """The sketch of a surface. Linear in its facets but for one sort of their hashes."""
    scan = topology.scan
    hashes, tags = describe(scan.vertices, scan.faces, topology.twin, topology.areas_mm2)
    n = len(hashes)
    order = np.argsort(hashes, kind="stable")
    hashes, tags = hashes[order], tags[order]
    _, counts = np.unique(hashes, return_counts=True)
    is_known = np.repeat(counts <= CROWD, counts)
    hashes, tags = hashes[is_known], tags[is_known]
    bound = hashes[KEPT_FACETS] if len(hashes) > KEPT_FACETS else _ALL
    kept = int(np.searchsorted(hashes, bound))
    return Sketch(
        hashes=hashes[:kept].copy(),
        tags=tags[:kept].copy(),
        bound=int(bound),
        n_described=n,
        distinct_ratio=float(np.count_nonzero(counts == 1) / n) if n else 0.0,
    )


def share_found(a: Sketch, b: Sketch) -> Share | None:
    """The share of surface `a` that is found in surface `b` (ask the other way round too: a crop is found whole).

    None where it cannot be told: either surface is too regular or too small to be known by its facets. Of what is not
    in the other surface, a part is found there by chance: at most as much as has a double in its own.
    """
    if not (a.can_be_known and b.can_be_known):
        return None
    n = int(np.searchsorted(a.hashes, np.uint64(min(a.bound, b.bound))))
    if n < LEAST_COMPARED:
        return None
    own, other = _alike(a.hashes[:n], b.hashes)
    steps = _size(b.tags[other]) - _size(a.tags[own])
    factor = _common(steps)
    is_same = np.abs(steps - factor) <= SIZE_SLACK_STEPS
    own, other, steps = own[is_same], other[is_same], steps[is_same]
    on_both = own[a.tags[own] >> 16 == b.tags[other] >> 16]
    low, high = _interval(len(np.unique(own)), n, len(np.unique(on_both)))
    low = max(0.0, low - (1.0 - min(a.distinct_ratio, b.distinct_ratio)) * (1.0 - low))
    return Share(
        share_ratio=0.5 * (low + high),
        u95_ratio=0.5 * (high - low),
        n_compared=n,
        is_mirrored=_is_mirrored(a.tags[own] & 3, b.tags[other] & 3),
        scale_ratio=float(np.exp(steps.mean() * SIZE_STEP)) if len(steps) else 1.0,
    )


def _alike(a: Hashes, b: Hashes) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    """Every pair of indices into a and b with the same hash; at most CROWD for each of a."""
    first = np.searchsorted(b, a)
    found = np.flatnonzero(b[np.minimum(first, len(b) - 1)] == a)
    first = first[found]
    counts = np.searchsorted(b, a[found], side="right") - first
    begins = np.cumsum(counts) - counts
    steps = np.arange(int(counts.sum())) - np.repeat(begins, counts)
    return np.repeat(found, counts), np.repeat(first, counts) + steps


def _size(tags: Tags) -> NDArray[np.int64]:
    return (tags >> 2 & 0x3FFF).astype(np.int64)


def _common(steps: NDArray[np.int64]) -> int:
    """The factor of size, in steps, that most pairs agree on."""
    if len(steps) == 0:
        return 0
    ordered = np.sort(steps)
    within = np.searchsorted(ordered, ordered + 2 * SIZE_SLACK_STEPS, side="right") - np.arange(len(ordered))
    return int(ordered[np.argmax(within)]) + SIZE_SLACK_STEPS


def _interval(n_found: int, n: int, n_on_both: int) -> tuple[float, float]:
    """95 % limits of the share: Wilson 1927 for the sample, widened by what the correction for rounding leaves open."""
    low, high = _wilson(n_found, n)
    if n_found < LEAST_COMPARED or n_on_both < LEAST_KEPT_RATIO * n_found:
        return low, high
    kept = _kept(n_on_both / n_found)
    kept_low, kept_high = (_kept(ratio) for ratio in _wilson(n_on_both, n_found))
    middle = n_found / n / kept
    spread = np.hypot((high - low) / 2.0 / kept, middle * (kept_high - kept_low) / 2.0 / kept)
    spread += 0.1 * middle * (1.0 - kept)  # facets differ in how easily rounding moves them
    return float(np.clip(middle - spread, 0.0, 1.0)), float(np.clip(middle + spread, 0.0, 1.0))


def _kept(agreeing_ratio: float) -> float:
    """The share of facets that rounding leaves in their cell of the first grid, from the share of those that it leaves
    in that of the second too. A length moved by less than half a cell leaves at most one of the two: with a chance of
    p for each of n lengths, (1 - p)^n stay on one grid and (1 - 2p)^n on both."""
    stays = agreeing_ratio ** (1.0 / N_LENGTHS)
    return float((1.0 / (2.0 - stays)) ** N_LENGTHS)


def _wilson(hits: int, n: int) -> tuple[float, float]:
    z2 = 1.96**2
    p = hits / n
    middle = (p + z2 / (2 * n)) / (1 + z2 / n)
    half = np.sqrt(z2 * (p * (1 - p) / n + z2 / (4 * n * n))) / (1 + z2 / n)
    return max(0.0, float(middle - half)), min(1.0, float(middle + half))


def _is_mirrored(hands_a: Tags, hands_b: Tags) -> bool | None:
    sure = (hands_a > 0) & (hands_b > 0)
    n = int(sure.sum())
    if n < LEAST_COMPARED:
        return None
    same = float(np.mean(hands_a[sure] == hands_b[sure]))
    return None if 0.25 < same < 0.75 else same <= 0.25


def index_keys(sketch: Sketch) -> tuple[int, ...]:
    """Keys by which a store finds likely twins among many surfaces: up to 128 signed 64-bit numbers.

    Keep one row (surface, key) for each and an index on key. Surfaces that share FEWEST_SHARED_KEYS with a new one are
    the candidates, those with most keys in common first; `share_found` then decides. The keys are those of the smallest
    hashes below a fixed bound (of a small surface, the smallest 16), so that the keys of a crop are among those of the
    whole; each holds both grids, so that foreign scans share hardly any. Empty for a surface that cannot be known.
    """
    if not sketch.can_be_known:
        return ()
    below = int(np.searchsorted(sketch.hashes, np.uint64(int(2.0**64 * INDEX_SHARE))))
    n = min(max(below, INDEX_FEWEST), INDEX_MOST, len(sketch.hashes))
    mixed = (sketch.hashes[:n] ^ (sketch.tags[:n] >> 16).astype(np.uint64)) * np.uint64(0x9E3779B97F4A7C15)
    return tuple(dict.fromkeys(int(key) for key in mixed.view(np.int64)))
