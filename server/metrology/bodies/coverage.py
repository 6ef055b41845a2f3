"""How much of a body was caught: of all that stands above the tissue, by eighths of the turn, by height, top and index."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from server.metrology.bodies.reference import ReferenceBody
from server.metrology.bvh import BoxTree
from server.metrology.rigid import Array, apply, turn
from server.metrology.scan import Scan

Floats = NDArray[np.float64]
Mask = NDArray[np.bool_]

EIGHTHS = 8
BAND_MM = 1.0
CAUGHT_MM = 0.12
BENEATH_MM = 4.0
LEAST_SAMPLES = 12


@dataclass(frozen=True, slots=True)
class Coverage:
    """Shares of the reference body's area above the tissue that were caught, 0 to 1; nan where nothing of it stands
    above the tissue.

    ratio: of all; eighths: (8,) by turn about the axis, the first from the clocking direction on, against the clock
    seen from above; by_height: (k, 8) bands of 1 mm from the seat up; beneath_ratio: share of the whole body that lies
    under tissue; top, index: of the top face and of the index feature, None for a body without one.
    """

    ratio: float
    eighths: Floats
    by_height: Floats
    beneath_ratio: float
    top: float | None
    index: float | None


def coverage_of(
    body: ReferenceBody, T_scan_body: Array, surface: Scan, near_mm: float = CAUGHT_MM
) -> Coverage:
    """What a scan shows of a body at a pose. surface: the facets about it, wound outward, mm."""
    caught, beneath = _seen(body, T_scan_body, surface, near_mm)
    above = ~beneath
    place = (np.arctan2(body.points[:, 1], body.points[:, 0]) / (2.0 * np.pi) * EIGHTHS) % EIGHTHS
    eighth = np.minimum(place.astype(np.int64), EIGHTHS - 1)
    n_bands = max(int(np.ceil(body.height_mm / BAND_MM - 1e-6)), 1)
    band = np.clip((body.points[:, 2] / BAND_MM).astype(np.int64), 0, n_bands - 1)
    cell = band * EIGHTHS + eighth
    return Coverage(
        ratio=_share(caught, above),
        eighths=_shares(caught, above, eighth, EIGHTHS),
        by_height=_shares(caught, above, cell, n_bands * EIGHTHS).reshape(n_bands, EIGHTHS),
        beneath_ratio=float(beneath.mean()),
        top=_share(caught[body.is_top], above[body.is_top]) if body.is_top.any() else None,
        index=_share(caught[body.is_index], above[body.is_index]) if body.is_index.any() else None,
    )


def _seen(body: ReferenceBody, T: Array, surface: Scan, near_mm: float) -> tuple[Mask, Mask]:
    if surface.n_faces == 0:
        return np.zeros(len(body.points), dtype=bool), np.zeros(len(body.points), dtype=bool)
    tree = BoxTree(surface)
    at, out = apply(T, body.points), turn(T, body.normals)
    caught = tree.nearest(at, near_mm).facets >= 0
    beneath = np.zeros(len(at), dtype=bool)
    asked = np.flatnonzero(~caught)
    hits = tree.first_hits(at[asked], out[asked], BENEATH_MM, 0.0)
    met = hits.facets >= 0
    a, b, c = (surface.vertices[surface.faces[hits.facets[met], k]] for k in range(3))
    from_behind = np.einsum("ij,ij->i", np.cross(b - a, c - a), out[asked[met]]) > 0.0
    beneath[asked[met]] = from_behind
    return caught, beneath


def _share(caught: Mask, above: Mask) -> float:
    return float(caught[above].mean()) if above.sum() >= LEAST_SAMPLES else float("nan")


def _shares(caught: Mask, above: Mask, place: NDArray[np.int64], n: int) -> Floats:
    total = np.bincount(place[above], minlength=n).astype(float)
    share = np.bincount(place[above], weights=caught[above].astype(float), minlength=n) / np.maximum(
        total, 1.0
    )
    return np.where(total >= LEAST_SAMPLES, share, np.nan)
