"""Ways in which one set of implant poses can differ from another beyond noise, each as columns at a size of 1 mm.

Rows as in `seating.motion_columns`: shifts of all sites (mm), then tilts (rad).
"""

from __future__ import annotations

import numpy as np

from server.metrology.constellation.path import Path, legendre, path_through
from server.metrology.constellation.poses import Floats, cross
from server.metrology.constellation.seating import Misfit

SEAT_WIDTH_MM = 3.0
"""A body that stands off by its size on one edge of its seat tilts by that over the seat's width."""
ORDER_RATIO = 0.25
"""Stitching goes wrong slowly: each higher order of a drift along the arch is a quarter of the one below."""
DRIFT_ORDERS = (1, 2, 3)
BEND_ORDERS = (1, 2)


def one_site(misfit: Misfit, site: int) -> tuple[Floats, ...]:
    """One site off: shifted, shifted and tilted, tilted."""
    n = len(misfit.at_mm)
    shift, tilt = np.zeros((5 * n, 3)), np.zeros((5 * n, 2))
    shift[3 * site : 3 * site + 3] = np.eye(3)
    tilt[3 * n + 2 * site : 3 * n + 2 * site + 2] = np.eye(2) / SEAT_WIDTH_MM
    return shift, np.hstack([shift, tilt]), tilt


def arch(misfit: Misfit) -> tuple[Floats, ...]:
    """The arch bent or stretched as a whole: scaled, strained evenly, drifted along the arch, bent along the arch."""
    path = path_through(misfit.at_mm)
    return _scaled(misfit), _strained(misfit), _drifted(misfit, path), _bent(misfit, path)


def _rows(misfit: Misfit, shifts: Floats, turns: Floats | None = None) -> Floats:
    """Columns from shifts (n, 3, r) and turns as rotation vectors (n, 3, r)."""
    n, _, r = shifts.shape
    tilts = np.zeros((n, 2, r)) if turns is None else np.einsum("nij,nir->njr", misfit.across, turns)
    return np.concatenate([shifts.reshape(3 * n, r), tilts.reshape(2 * n, r)])


def _reach_mm(at_mm: Floats) -> float:
    """The largest distance between two sites."""
    return float(np.linalg.norm(at_mm[:, None] - at_mm[None], axis=2).max())


def _scaled(misfit: Misfit) -> Floats:
    """By the size over the whole reach."""
    r = (misfit.at_mm - misfit.at_mm.mean(axis=0)) / _reach_mm(misfit.at_mm)
    return _rows(misfit, r[:, :, None])


def _strained(misfit: Misfit) -> Floats:
    """Six symmetric strains; bodies keep their directions, as local turns are none."""
    r = (misfit.at_mm - misfit.at_mm.mean(axis=0)) / _reach_mm(misfit.at_mm)
    shifts = np.zeros((len(r), 3, 6))
    for column, (i, j) in enumerate(((0, 0), (1, 1), (2, 2), (0, 1), (0, 2), (1, 2))):
        E = np.zeros((3, 3))
        E[i, j] = E[j, i] = 1.0 if i == j else np.sqrt(0.5)
        shifts[:, :, column] = r @ E
    return _rows(misfit, shifts)


def _drifted(misfit: Misfit, path: Path) -> Floats:
    """Shifts that grow along the arch, bodies keeping their directions; the size is that from end to end."""
    orders = np.stack([legendre(path.share, k) * 0.5 * ORDER_RATIO ** (k - 1) for k in DRIFT_ORDERS], axis=1)
    shifts = np.einsum("nk,ij->nikj", orders, np.eye(3)).reshape(len(path.share), 3, -1)
    return _rows(misfit, shifts)


def _bent(misfit: Misfit, path: Path) -> Floats:
    """Turns that grow along the arch and carry bodies with them; the size is about that from end to end."""
    shifts, turns = [], []
    for k in BEND_ORDERS:
        unit = 3.0 / path.length_mm * ORDER_RATIO ** (k - 1)
        carried = unit * path.integral_mm(k)
        for axis in np.eye(3):
            turns.append(np.outer(unit * legendre(path.share, k), axis))
            shifts.append(cross(axis, carried))
    return _rows(misfit, np.stack(shifts, axis=2), np.stack(turns, axis=2))
