"""Which single site is wrong: evidence against a dense twin, names by small Monte Carlo of fixed seeds."""

from __future__ import annotations

from collections import Counter

import numpy as np
import pytest
from scipy.special import logsumexp
from scipy.stats import multivariate_normal

from server.metrology.constellation.disturbances import arch as arch_ways
from server.metrology.constellation.disturbances import one_site
from server.metrology.constellation.evidence import (
    LOG_NOISE_WEIGHTS,
    NOISE_FACTORS,
    SIZES_MM,
    explained,
    ground_of,
)
from server.metrology.constellation.poses import Paired, Poses
from server.metrology.constellation.seating import misfit_of, motion_columns, sigmas, stacked
from server.metrology.constellation.suspects import Account, Suspects, suspects_of
from tests.metrology.constellation.arches import (
    SHAPES,
    Random,
    arch,
    direction,
    drifted,
    motion,
    one_off,
    seen,
)

FINE, COARSE = (0.005, 0.06), (0.03, 0.2)


def _against(rng: Random, wrong: Poses, exact: Poses, noise: tuple[float, float]) -> Suspects:
    return suspects_of(Paired(seen(rng, wrong, *noise), exact.moved(motion(rng))))


def test_evidence_is_that_of_the_whole_covariance() -> None:
    """Naive twin: scipy's multivariate normal over what a rigid motion cannot take up, every noise and size summed."""
    rng = np.random.default_rng(1)
    exact = arch(rng, 4, "mouth")
    ground = ground_of(Paired(seen(rng, exact, 0.01, 0.1), exact))
    misfit = misfit_of(ground.pairs, ground.T_a_b)
    sigma, y, X = sigmas(ground.pairs), stacked(misfit), motion_columns(misfit)
    Q = np.linalg.svd(X)[0][:, 6:]
    for columns in (one_site(misfit, 2)[1], arch_ways(misfit)[2], np.zeros((20, 0))):
        logs = []
        for i, p in enumerate(NOISE_FACTORS):
            for j, q in enumerate(NOISE_FACTORS):
                noise = np.diag((sigma * np.repeat([p, q], [12, 8])) ** 2)
                for size in SIZES_MM:
                    C = Q.T @ (noise + size**2 * columns @ columns.T) @ Q
                    log = multivariate_normal(cov=C, allow_singular=False).logpdf(Q.T @ y)
                    logs.append(log + LOG_NOISE_WEIGHTS[i] + LOG_NOISE_WEIGHTS[j] - np.log(len(SIZES_MM)))
        whole = logsumexp(logs) - 0.5 * np.linalg.slogdet(X.T @ X)[1]
        assert explained(ground, columns).log_evidence == pytest.approx(whole, abs=1e-6)


@pytest.mark.parametrize("shape", SHAPES)
@pytest.mark.parametrize("n", [4, 6])
def test_a_tenth_of_a_millimetre_is_named_at_fine_noise(n: int, shape: str) -> None:
    rng = np.random.default_rng([n, len(shape)])
    told: Counter[str] = Counter()
    for _ in range(10):
        exact, k = arch(rng, n, shape), int(rng.integers(n))
        shift = 0.1 * direction(rng)
        found = _against(rng, one_off(exact, k, shift), exact, FINE)
        told["right" if found.named == (k,) else "wrong" if found.account is Account.ONE else "open"] += 1
        off = found.displacements[k]
        assert np.linalg.norm(off.shift_mm - shift) < 2.0 * off.u95_shift_mm
    assert told["wrong"] == 0
    assert told["right"] >= 9


def test_a_quarter_of_a_millimetre_at_coarse_noise_is_named_or_left_open_never_misnamed() -> None:
    rng = np.random.default_rng(30)
    told: Counter[str] = Counter()
    for _ in range(24):
        exact, k = arch(rng, 8, "mouth"), int(rng.integers(8))
        found = _against(rng, one_off(exact, k, 0.25 * direction(rng)), exact, COARSE)
        told[
            "right" if found.named == (k,) else "wrong" if found.named and k not in found.named else "open"
        ] += 1
    assert told["wrong"] == 0
    assert told["right"] >= 18


@pytest.mark.parametrize("noise", [FINE, COARSE])
def test_of_sets_alike_none_is_accused(noise: tuple[float, float]) -> None:
    rng = np.random.default_rng(2)
    for n in (4, 5, 8):
        for shape in SHAPES:
            for _ in range(2):
                exact = arch(rng, n, shape)
                found = _against(rng, exact, exact, noise)
                assert found.account in (Account.NONE, Account.UNTOLD)
                assert found.share_none + found.share_arch + found.share_site.sum() == pytest.approx(1.0)


def test_noise_above_what_is_stated_accuses_nobody() -> None:
    """Four times the stated noise: the sites themselves say so."""
    rng = np.random.default_rng(3)
    for n in (5, 8):
        factors = []
        for _ in range(6):
            exact = arch(rng, n, "mouth")
            a = seen(rng, exact, 0.04, 0.4)
            humble = Poses(a.positions_mm, a.axes, a.u95_position_mm / 4.0, a.u95_axis_deg / 4.0)
            found = suspects_of(Paired(humble, exact))
            assert found.account is not Account.ONE
            factors.append(found.noise_position)
        assert np.median(factors) > 2.0


@pytest.mark.parametrize("turning", [False, True])
def test_a_drift_along_the_arch_is_not_one_body(turning: bool) -> None:
    rng = np.random.default_rng(4)
    told: Counter[Account] = Counter()
    for _ in range(16):
        exact = arch(rng, int(rng.choice([5, 6, 8])), "mouth")
        wrong = drifted(rng, exact, rng.uniform(0.2, 0.5), rng.uniform(1.0, 1.5), turning=turning)
        told[_against(rng, wrong, exact, FINE).account] += 1
    assert told[Account.ONE] == told[Account.EITHER] == 0
    assert told[Account.ARCH] >= 14


def test_a_scaled_arch_is_the_arch() -> None:
    rng = np.random.default_rng(5)
    exact = arch(rng, 5, "mouth")
    large = Poses(exact.positions_mm * 1.005, exact.axes, exact.u95_position_mm, exact.u95_axis_deg)
    found = _against(rng, large, exact, FINE)
    assert found.account is Account.ARCH
    assert found.odds > 100.0


def test_a_tilted_body_is_named_though_its_seat_stays() -> None:
    rng = np.random.default_rng(6)
    exact = arch(rng, 5, "mouth")
    found = _against(rng, one_off(exact, 2, np.zeros(3), tilt_deg=2.0), exact, FINE)
    assert found.named == (2,)
    assert found.displacements[2].tilt_deg == pytest.approx(2.0, abs=0.3)
    assert found.displacements[2].size_mm < 3.0 * found.displacements[2].u95_shift_mm


def test_where_axes_say_nothing_nobody_is_named() -> None:
    """Four in a plane, one end too high, axes known to 5° only: any of the four, off by more or less, would explain it."""
    exact = np.array([(-22.0, 0, 0), (-8, 18, 0), (8, 18, 0), (22, 0, 0)])
    axes = np.tile([0.0, 0.0, 1.0], (4, 1))
    off = exact.copy()
    off[3, 2] += 0.3
    loose = [Poses(p, axes, np.full(4, 0.01), np.full(4, 5.0)) for p in (off, exact)]
    found = suspects_of(Paired(*loose))
    assert found.account is Account.UNTOLD
    assert sorted(found.named) == [0, 1, 2, 3]


def test_three_sites_name_nobody() -> None:
    exact = arch(np.random.default_rng(1), 4, "mouth").taken(np.arange(3))
    with pytest.raises(ValueError, match="at least 4"):
        suspects_of(Paired(exact, exact))
