"""The least error that any unbiased fit could have: the Cramér-Rao floor of a body as it was caught.

C ≥ (Jᵀ S⁻¹ J)⁻¹, J the change of the captured points' distances with the pose, S the scatter the scanner had: white, and where
it was alike over patches a sum of waves as the phantom's scanner draws them, here by many random ones.
Source: Rao 1945; Cramér 1946; Woodbury 1950 for the inverse.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from seed_data.phantoms.disturb import Noise
from server.metrology.bodies.fitting import jacobian
from server.metrology.bodies.reference import ReferenceBody
from server.metrology.rigid import apply, inverse

Floats = NDArray[np.float64]

WAVES = 300
LEAST_POINTS = 30


def floor_of(body: ReferenceBody, T_scan_body: Floats, points: Floats, noise: Noise) -> Floats | None:
    """Least covariance (6, 6) of a turn (rad) and a shift (mm) in the body's frame, about the seat. points: (n, 3) those of
    the scan that lie on the body. None where there are too few."""
    if len(points) < LEAST_POINTS:
        return None
    q = apply(inverse(T_scan_body), points)
    nearest = body.tree.nearest(q, 0.5)
    met = nearest.facets >= 0
    at, normals = nearest.points[met], body.facet_normals[nearest.facets[met]]
    J = jacobian(at, normals, np.zeros(3))
    white2 = noise.white_mm**2
    information = J.T @ J / white2
    if noise.correlated_mm > 0.0:
        F = _waves(at, noise) / noise.white_mm
        JF = J.T @ F / noise.white_mm
        information -= JF @ np.linalg.solve(np.eye(F.shape[1]) + F.T @ F, JF.T)
    return np.asarray(np.linalg.pinv(information, rcond=1e-12, hermitian=True))


def _waves(at: Floats, noise: Noise) -> Floats:
    """(n, 2 k) waves whose random sum has the likeness of the scanner's correlated noise."""
    rng = np.random.default_rng(0)
    k = rng.standard_normal((WAVES, 3))
    k /= np.linalg.norm(k, axis=1, keepdims=True)
    k *= 2.0 * np.pi / (noise.patch_mm * rng.uniform(1.0, 2.2, (WAVES, 1)))
    phase = at @ k.T
    return np.asarray(noise.correlated_mm / np.sqrt(WAVES) * np.hstack([np.cos(phase), np.sin(phase)]))


def drawn(floors: list[Floats], each: int = 200) -> Floats:
    """Motions (m, 6) drawn from each of the floors."""
    rng = np.random.default_rng(1)
    return np.concatenate([rng.multivariate_normal(np.zeros(6), C, each, method="eigh") for C in floors])
