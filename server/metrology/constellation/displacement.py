"""How far one site is off, and how well that is known."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from server.metrology.constellation.evidence import Explained
from server.metrology.constellation.poses import Floats, Paired, ball_radius
from server.metrology.constellation.seating import misfit_of, motion_columns, sigmas, stacked
from server.metrology.quantiles import widened_for_few


@dataclass(frozen=True, slots=True, eq=False)
class Displacement:
    """How far one site is off. shift_mm: (3,) from where B and the other sites put it to where A has it, in A's frame;
    u95_shift_mm: radius of the ball that holds the true shift with 95 %; tilt_deg, u95_tilt_deg: of its axis, likewise."""

    pair: int
    shift_mm: Floats
    u95_shift_mm: float
    tilt_deg: float
    u95_tilt_deg: float

    @property
    def size_mm(self) -> float:
        return float(np.linalg.norm(self.shift_mm))


def displacement_of(
    pairs: Paired, T_a_b: Floats, site: int, noise: Explained, arch_columns: Floats
) -> Displacement:
    """The shift and tilt of one site beside a rigid motion, by generalised least squares (Aitken 1935).

    T_a_b: a motion near which the others fit. noise: the levels and the size found; arch_columns: (5 n, r) ways in which
    the arch may be bent as well, none where r = 0; what they allow widens the uncertainty.
    """
    n = len(pairs)
    misfit = misfit_of(pairs, T_a_b)
    factors = np.repeat([noise.noise_position, noise.noise_axis], [3 * n, 2 * n])
    root = 1.0 / (sigmas(pairs) * factors)
    bent = arch_columns * root[:, None] * noise.size_mm
    whiten = np.linalg.inv(np.linalg.cholesky(np.eye(5 * n) + bent @ bent.T))
    columns = np.hstack([_of_site(n, site), motion_columns(misfit)])
    A = whiten @ (columns * root[:, None])
    C = np.linalg.pinv(A.T @ A, rcond=1e-13)
    found = (C @ (A.T @ (whiten @ (stacked(misfit) * root))))[:5]
    stretch = widened_for_few(5 * n - 11)
    return Displacement(
        pair=site,
        shift_mm=found[:3],
        u95_shift_mm=stretch * ball_radius(C[:3, :3]),
        tilt_deg=float(np.degrees(np.linalg.norm(found[3:]))),
        u95_tilt_deg=min(float(np.degrees(stretch * ball_radius(C[3:5, 3:5]))), 180.0),
    )


def _of_site(n: int, site: int) -> Floats:
    """(5 n, 5): the shift and tilt of one site, mm and rad."""
    columns = np.zeros((5 * n, 5))
    columns[3 * site : 3 * site + 3, :3] = np.eye(3)
    columns[3 * n + 2 * site : 3 * n + 2 * site + 2, 3:] = np.eye(2)
    return columns
