"""Which single site is wrong, if one is: every account of the misfit weighed by how well it explains positions and axes.

Accounts: nothing off but noise; one site off (each in turn: shifted, tilted, both), the arch beside it sound or bent as
well; the arch bent or stretched as a whole.
Each counts by its evidence (see `evidence.py`) times what it is worth beforehand; the shares of all accounts sum to 1. That
one site is off is said at odds of ten to one against the rest (Jeffreys 1961, Theory of Probability, app. B: strong), and
which one at twenty to one against the other sites. Which of the two records is wrong, no comparison of two can say.

*Not seen*: two sites off at once; a site shifted in both records alike. One site off in an arch that is bent by as much is
often left open, of four sites nearly always.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum

import numpy as np
from scipy.special import logsumexp

from server.metrology.constellation.displacement import Displacement, displacement_of
from server.metrology.constellation.disturbances import arch, one_site
from server.metrology.constellation.evidence import Explained, Ground, explained, ground_of
from server.metrology.constellation.poses import Floats, Paired
from server.metrology.constellation.seating import seated

SURE = 10.0 / 11.0
"""Share at which an account is told: odds of ten to one."""
SURE_OF_NAME = 20.0 / 21.0
"""Share of one site among all single sites at which it is named: odds of twenty to one."""
NOTHING_OFF, ONE_OFF, ARCH_OFF, BOTH_OFF = 0.5, 0.2, 0.2, 0.1
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
class _Way:
    """One way for a site to be off: how it explains, and (5 n, r) what bends the arch beside it, r = 0 for nothing."""

    how: Explained
    arch_columns: Floats


@dataclass(frozen=True, slots=True, eq=False)
class _Accounts:
    """none, whole: of nothing off and of the arch; alone, beside: by site, off in a sound and in a bent arch."""

    none: list[Explained]
    whole: list[Explained]
    alone: list[list[_Way]]
    beside: list[list[_Way]]

    @property
    def logs(self) -> Floats:
        """(2 + n,) of nothing, the arch, each site: evidence times worth."""
        n = len(self.alone)
        sites = [
            np.logaddexp(
                _log_mean([way.how for way in alone]) + np.log(ONE_OFF / n),
                _log_mean([way.how for way in beside]) + np.log(BOTH_OFF / n),
            )
            for alone, beside in zip(self.alone, self.beside, strict=True)
        ]
        return np.array(
            [_log_mean(self.none) + np.log(NOTHING_OFF), _log_mean(self.whole) + np.log(ARCH_OFF), *sites]
        )

    def likeliest_of(self, site: int) -> _Way:
        """The likeliest way for a site to be off."""
        alone = [
            (way.how.log_evidence + np.log(ONE_OFF / len(self.alone[site])), way) for way in self.alone[site]
        ]
        beside = [
            (way.how.log_evidence + np.log(BOTH_OFF / len(self.beside[site])), way)
            for way in self.beside[site]
        ]
        return max(alone + beside, key=lambda pair: pair[0])[1]

    def likeliest(self) -> Explained:
        """The likeliest model of the likeliest account."""
        best = int(np.argmax(self.logs))
        if best >= 2:
            return self.likeliest_of(best - 2).how
        return max((self.none, self.whole)[best], key=lambda how: how.log_evidence)


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
    accounts = _accounts(ground, without)
    logs = accounts.logs
    shares = np.exp(logs - logsumexp(logs))
    account, named, odds = _told(float(shares[0]), float(shares[1]), shares[2:])
    ways = [accounts.likeliest_of(k) for k in range(n)]
    likeliest = accounts.likeliest()
    return Suspects(
        account=account,
        named=named,
        odds=odds,
        share_none=float(shares[0]),
        share_arch=float(shares[1]),
        share_site=shares[2:],
        displacements=tuple(
            displacement_of(pairs, without[k], k, way.how, way.arch_columns) for k, way in enumerate(ways)
        ),
        noise_position=likeliest.noise_position,
        noise_axis=likeliest.noise_axis,
    )


def log_evidence_of(pairs: Paired) -> float:
    """Natural logarithm of how likely two sets of at least three pairs are, all accounts together, per mm and rad."""
    ground = ground_of(pairs)
    return float(logsumexp(_accounts(ground, _without_each(ground)).logs))


def _without_each(ground: Ground) -> list[Floats]:
    """The motion by all other pairs, for each."""
    n = len(ground.pairs)
    return [seated(ground.pairs, (np.arange(n) != k).astype(np.float64), ground.T_a_b) for k in range(n)]


def _accounts(ground: Ground, without: list[Floats]) -> _Accounts:
    misfit = ground.misfit
    nothing = np.zeros((5 * len(ground.pairs), 0))
    bends = arch(misfit)
    sites = [one_site(misfit, k) for k in range(len(ground.pairs))]

    def way(k: int, columns: Floats, bend: Floats) -> _Way:
        return _Way(explained(ground, np.hstack([columns, bend]), without[k]), bend)

    return _Accounts(
        none=[explained(ground, nothing)],
        whole=[explained(ground, bend) for bend in bends],
        alone=[[way(k, columns, nothing) for columns in site] for k, site in enumerate(sites)],
        beside=[[way(k, site[0], bend) for bend in bends] for k, site in enumerate(sites)],
    )


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
