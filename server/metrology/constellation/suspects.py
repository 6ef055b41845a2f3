"""Which single site is wrong, if one is: every account of the misfit weighed by how well it explains positions and axes.

Accounts: nothing off but noise; one site off (each in turn: shifted, tilted, both); the arch bent or stretched as a whole.
Each counts by its evidence (see `evidence.py`) times what it is worth beforehand; the shares of all accounts sum to 1. That
one site is off is said at odds of ten to one against the rest (Jeffreys 1961, Theory of Probability, app. B: strong), and
which one at a hundred to one against the other sites. Which of the two records is wrong, no comparison of two can say.

*Not seen*: two sites off at once; one site off in an arch that is also bent by as much; a site shifted in both records alike.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum

import numpy as np
from scipy.special import logsumexp
from scipy.stats import norm
from scipy.stats import t as student

from server.metrology.constellation.disturbances import arch, one_site
from server.metrology.constellation.evidence import Explained, Ground, explained, ground_of
from server.metrology.constellation.poses import Floats, Paired, ball_radius
from server.metrology.constellation.seating import misfit_of, motion_columns, seated, sigmas

SURE = 10.0 / 11.0
"""Share at which an account is told: odds of ten to one."""
SURE_OF_NAME = 0.99
"""Share of one site among all single sites at which it is named."""
NOTHING_OFF, ONE_OFF, ARCH_OFF = 0.5, 0.25, 0.25
"""Worth beforehand: indifferent between all well and something wrong, and between the two ways of being wrong."""
LEAST_PAIRS = 4
"""With three sites a rigid fit takes up two thirds of what one of them is off: nothing is left to tell which."""


class Account(StrEnum):
    """What the misfit of two sets comes from."""

    NONE = "none off"
    ONE = "one site off"
    EITHER = "one of few sites off"
    ARCH = "arch bent or stretched"
    UNTOLD = "cannot tell"


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


@dataclass(frozen=True, slots=True, eq=False)
class Suspects:
    """account: what can be said. named: the pair with ONE, the few pairs with EITHER; with UNTOLD those that it would be
    if it were one; else empty. odds: share of what is told over that of the best account that contradicts it (with UNTOLD:
    of the likelier trouble over the next account).

    share_none, share_arch, share_site (n,): of all accounts, together 1. displacements: by pair, each as if it were the
    one that is off. noise_position, noise_axis: how many times the stated noise the sites show under the likeliest account.
    """

    account: Account
    named: tuple[int, ...]
    odds: float
    share_none: float
    share_arch: float
    share_site: Floats
    displacements: tuple[Displacement, ...]
    noise_position: float
    noise_axis: float


def suspects_of(pairs: Paired) -> Suspects:
    """Who is wrong. Raises ValueError for fewer than LEAST_PAIRS."""
    n = len(pairs)
    if n < LEAST_PAIRS:
        raise ValueError(f"naming one of several sites needs at least {LEAST_PAIRS}")
    ground = ground_of(pairs)
    without = _without_each(ground)
    none, whole, ones = _accounts(ground, without)
    logs = _logs(none, whole, ones)
    shares = np.exp(logs - logsumexp(logs))
    account, named, odds = _told(float(shares[0]), float(shares[1]), shares[2:])
    likeliest = max((none, whole, *ones)[int(np.argmax(shares))], key=lambda e: e.log_evidence)
    return Suspects(
        account=account,
        named=named,
        odds=odds,
        share_none=float(shares[0]),
        share_arch=float(shares[1]),
        share_site=shares[2:],
        displacements=tuple(
            _displacement(pairs, T, k, max(ones[k], key=lambda e: e.log_evidence))
            for k, T in enumerate(without)
        ),
        noise_position=likeliest.noise_position,
        noise_axis=likeliest.noise_axis,
    )


def log_evidence_of(pairs: Paired) -> float:
    """Natural logarithm of how likely two sets of at least three pairs are, all accounts together, per mm and rad."""
    ground = ground_of(pairs)
    return float(logsumexp(_logs(*_accounts(ground, _without_each(ground)))))


def _logs(none: list[Explained], whole: list[Explained], ones: list[list[Explained]]) -> Floats:
    """(2 + n,) of nothing, the arch, each site: evidence times worth."""
    logs = [_log_mean(none) + np.log(NOTHING_OFF), _log_mean(whole) + np.log(ARCH_OFF)]
    return np.array([*logs, *(_log_mean(one) + np.log(ONE_OFF / len(ones)) for one in ones)])


def _without_each(ground: Ground) -> list[Floats]:
    """The motion by all other pairs, for each."""
    n = len(ground.pairs)
    return [seated(ground.pairs, (np.arange(n) != k).astype(np.float64), ground.T_a_b) for k in range(n)]


def _accounts(
    ground: Ground, without: list[Floats]
) -> tuple[list[Explained], list[Explained], list[list[Explained]]]:
    misfit = misfit_of(ground.pairs, ground.T_a_b)
    n = len(ground.pairs)
    none = [explained(ground, np.zeros((5 * n, 0)))]
    whole = [explained(ground, columns) for columns in arch(misfit)]
    ones = [[explained(ground, columns, without[k]) for columns in one_site(misfit, k)] for k in range(n)]
    return none, whole, ones


def _log_mean(models: list[Explained]) -> float:
    """Of models that are equally likely beforehand."""
    return float(logsumexp([m.log_evidence for m in models]) - np.log(len(models)))


def _told(none: float, whole: float, sites: Floats) -> tuple[Account, tuple[int, ...], float]:
    one = float(sites.sum())
    order = np.argsort(sites)[::-1]
    count = int(np.searchsorted(np.cumsum(sites[order]), SURE_OF_NAME * one)) + 1
    few = tuple(int(k) for k in order[:count])
    if one >= SURE:
        rival = max(none, whole, float(sites[order[1]])) if count == 1 else max(none, whole)
        return (
            (Account.ONE if count == 1 else Account.EITHER),
            few,
            _odds(float(sites[list(few)].sum()), rival),
        )
    if whole >= SURE:
        return Account.ARCH, (), _odds(whole, max(none, one))
    if none >= max(whole, one):
        return Account.NONE, (), _odds(none, max(whole, one))
    return (
        Account.UNTOLD,
        few if one > 1.0 - SURE else (),
        _odds(max(whole, one), float(np.median([none, whole, one]))),
    )


def _odds(share: float, other: float) -> float:
    return float(share / max(other, 1e-300))


def _displacement(pairs: Paired, T: Floats, site: int, model: Explained) -> Displacement:
    """Off by how much after a fit of all the others, and how well that is known: own noise and that of the fit."""
    n = len(pairs)
    misfit = misfit_of(pairs, T)
    X = motion_columns(misfit)
    sigma = sigmas(pairs)
    sigma[: 3 * n] *= model.noise_position
    sigma[3 * n :] *= model.noise_axis
    own = np.zeros(5 * n, dtype=bool)
    own[3 * site : 3 * site + 3] = own[3 * n + 2 * site : 3 * n + 2 * site + 2] = True
    others = X[~own] / sigma[~own, None]
    C = X[own] @ np.linalg.pinv(others.T @ others, rcond=1e-12) @ X[own].T + np.diag(sigma[own] ** 2)
    freedom = max(int((~own).sum()) - 6, 1)
    stretch = float(student.ppf(0.975, freedom) / norm.ppf(0.975))
    return Displacement(
        pair=site,
        shift_mm=misfit.shift_mm[site],
        u95_shift_mm=stretch * ball_radius(C[:3, :3]),
        tilt_deg=float(np.degrees(np.linalg.norm(misfit.tilt_rad[site]))),
        u95_tilt_deg=min(float(np.degrees(stretch * ball_radius(C[3:, 3:]))), 180.0),
    )
