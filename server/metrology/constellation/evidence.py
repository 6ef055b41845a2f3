"""How well a way of going wrong explains what a rigid fit leaves: the marginal likelihood of a linear normal model.

What is left between two paired sets is taken as y = X m + G c + e: a rigid motion m of which nothing is known beforehand
(so only what it cannot take up counts: restricted likelihood, Patterson & Thompson 1971), disturbances c of standard
deviation `size`, and noise e whose level is the stated one times an unknown factor, one for positions and one for axes.
Sizes and factors are averaged over, not fitted, so a model with more freedom pays for it (Kass & Raftery 1995, J Am Stat
Assoc 90:773-795: Bayes factors).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numba import njit

from server.metrology.constellation.poses import Floats, Paired
from server.metrology.constellation.seating import Misfit, misfit_of, motion_columns, seated, sigmas, stacked

NOISE_FACTORS = np.geomspace(0.5, 16.0, 16)
"""How far the true noise may be from what is stated of it: half to sixteen times, in steps of 1.26."""
TRUSTED_SPREAD, TRUSTED_SHARE = 0.2, 0.97
"""A stated uncertainty is taken as good to a fifth; of three in a hundred nothing is known. Where the sites scatter more
than stated, they themselves say so: the share of those three grows with the evidence."""
SIZES_MM = np.array([0.05, 0.1, 0.2, 0.4, 0.8])
"""Typical sizes of a disturbance, from what a careful scan shows to what a lab would see at once; equally likely."""


def _noise_weights() -> Floats:
    """(16,) log-probabilities of the factors: an even part and one about 1."""
    log = np.log(NOISE_FACTORS)
    near = np.exp(-0.5 * (log / TRUSTED_SPREAD) ** 2)
    share = TRUSTED_SHARE * near / near.sum() + (1.0 - TRUSTED_SHARE) / len(log)
    return np.asarray(np.log(share))


LOG_NOISE_WEIGHTS = _noise_weights()


@dataclass(frozen=True, slots=True)
class Explained:
    """log_evidence: natural logarithm of the marginal likelihood, in mm and rad. noise_position, noise_axis: root mean
    square of the noise factors under this model; size_mm: mean size of its disturbance."""

    log_evidence: float
    noise_position: float
    noise_axis: float
    size_mm: float


@dataclass(frozen=True, slots=True, eq=False)
class Ground:
    """Two paired sets made ready for models. Z: (5 n, N) takes off what a rigid motion can do, in stated noise, and makes
    that noise independent.

    root: (5 n,) one over the stated deviations; T_a_b: the fit of all, misfit: what it leaves; log_scale: what belongs to
    every model alike. sharp: (p, p, N) one over the variance of each entry by the noise factors of positions and of axes.
    """

    pairs: Paired
    T_a_b: Floats
    misfit: Misfit
    root: Floats
    Z: Floats
    sharp: Floats
    log_scale: float


def ground_of(pairs: Paired) -> Ground:
    """Makes two paired sets (at least two pairs) ready."""
    T = seated(pairs)
    n = len(pairs)
    root = 1.0 / sigmas(pairs)
    misfit = misfit_of(pairs, T)
    X = motion_columns(misfit) * root[:, None]
    u, stretch, _ = np.linalg.svd(X)
    K = u[:, 6:]
    shares, W = np.linalg.eigh(K[: 3 * n].T @ K[: 3 * n])
    scale = float(np.log(root).sum() - np.log(np.maximum(stretch, 1e-9)).sum())
    scale -= 0.5 * K.shape[1] * float(np.log(2.0 * np.pi))
    shares = np.clip(shares, 0.0, 1.0)
    noise2 = NOISE_FACTORS**2
    variance = noise2[:, None, None] * shares + noise2[None, :, None] * (1.0 - shares)
    return Ground(pairs, T, misfit, root, K @ W, 1.0 / variance, scale)


def explained(ground: Ground, columns: Floats, T_a_b: Floats | None = None) -> Explained:
    """How a disturbance explains the misfit. columns: (5 n, r) what each of its freedoms adds at a size of 1 mm, in mm and
    rad; r = 0 for noise alone. T_a_b: a motion near which the rest is small, where that is not the fit of all."""
    misfit = ground.misfit
    if T_a_b is not None:
        misfit = misfit_of(ground.pairs, T_a_b, misfit.across)
    y = ground.Z.T @ (stacked(misfit) * ground.root)
    G = ground.Z.T @ (columns * ground.root[:, None])
    sizes = SIZES_MM if columns.shape[1] else SIZES_MM[:1]
    logs = _log_likelihoods(_sums(y, G, ground.sharp), G.shape[1], sizes**2)
    logs += LOG_NOISE_WEIGHTS[:, None, None] + LOG_NOISE_WEIGHTS[None, :, None] - np.log(len(sizes))
    logs += 0.5 * np.log(ground.sharp).sum(axis=2)[:, :, None]
    most = float(logs.max())
    total = most + float(np.log(np.exp(logs - most).sum()))
    share = np.exp(logs - total)
    noise = [float(np.sqrt(share.sum(axis=axes) @ NOISE_FACTORS**2)) for axes in ((1, 2), (0, 2))]
    size = float(share.sum(axis=(0, 1)) @ sizes) if columns.shape[1] else 0.0
    return Explained(total + ground.log_scale, noise[0], noise[1], size)


def _sums(y: Floats, G: Floats, sharp: Floats) -> Floats:
    """(p, p, 1 + r + r (r + 1) / 2): under each pair of noise factors yᵀD⁻¹y, GᵀD⁻¹y, and the lower half of GᵀD⁻¹G."""
    a, b = np.tril_indices(G.shape[1])
    return np.asarray(sharp @ np.hstack([y[:, None] ** 2, G * y[:, None], G[:, a] * G[:, b]]))


@njit(cache=True, nogil=True)
def _log_likelihoods(sums: Floats, r: int, sizes2: Floats) -> Floats:  # pragma: no cover - compiled
    """(p, p, s): by noise factor of positions, of axes, and size, less what belongs to D alone. Covariance
    D + size² G Gᵀ, D diagonal (Woodbury). sums: as by `_sums`, for r columns."""
    p, s = len(sums), len(sizes2)
    out = np.empty((p, p, s))
    S, L, z = np.zeros((r, r)), np.empty((r, r)), np.empty(r)
    for i in range(p):
        for j in range(p):
            at = 1 + r
            for a in range(r):
                for b in range(a + 1):
                    S[a, b] = sums[i, j, at]
                    at += 1
            for m in range(s):
                low = _low_rank(S, sums[i, j, 1 : 1 + r], sizes2[m], L, z)
                out[i, j, m] = -0.5 * (sums[i, j, 0] + low)
    return out


@njit(cache=True, nogil=True)
def _low_rank(
    S: Floats, h: Floats, size2: float, L: Floats, z: Floats
) -> float:  # pragma: no cover - compiled
    """log det(I + size² S) less size² hᵀ (I + size² S)⁻¹ h, by Cholesky; S given by its lower half. L, z: room to work in."""
    r = len(h)
    total = 0.0
    for a in range(r):
        for b in range(a + 1):
            left = size2 * S[a, b] + (1.0 if a == b else 0.0)
            for k in range(b):
                left -= L[a, k] * L[b, k]
            L[a, b] = np.sqrt(left) if a == b else left / L[b, b]
        left = h[a]
        for k in range(a):
            left -= L[a, k] * z[k]
        z[a] = left / L[a, a]
        total += 2.0 * np.log(L[a, a]) - size2 * z[a] * z[a]
    return total
