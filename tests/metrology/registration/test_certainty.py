"""The stated uncertainty against truth: many scans of one landscape with white and with smooth noise."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.typing import NDArray

from server.metrology.registration.certainty import certainty_of
from server.metrology.registration.fit import fit_from
from server.metrology.registration.surface import Surface
from server.metrology.rigid import angle_deg, apply
from server.metrology.scan import Scan
from tests.metrology.registration.landscapes import frame, hills, meshed, surface

Floats = NDArray[np.float64]
RUNS = 60


def _waves(rng: np.random.Generator, points: Floats, rms_mm: float) -> Floats:
    """Smooth noise with waves 3 to 7 mm long."""
    total = np.zeros(len(points))
    for _ in range(30):
        k = rng.normal(size=3)
        k *= 2.0 * np.pi / rng.uniform(3.0, 7.0) / np.linalg.norm(k)
        total += np.sin(points @ k + rng.uniform(0.0, 6.3))
    return np.asarray(total * rms_mm * np.sqrt(2.0 / 30))


def _disturbed(base: Scan, rng: np.random.Generator, white_mm: float, smooth_mm: float) -> Surface:
    lift = rng.normal(scale=white_mm, size=base.n_vertices) + _waves(rng, base.vertices, smooth_mm)
    return surface(Scan(base.vertices + lift[:, None] * (0.0, 0.0, 1.0), base.faces))


@pytest.mark.parametrize(("white_mm", "smooth_mm"), [(0.012, 0.0), (0.006, 0.01)], ids=["white", "smooth"])
def test_the_truth_lies_within_what_is_stated(white_mm: float, smooth_mm: float) -> None:
    """95 % of truths inside, to within three standard errors of 60 runs (0.084); not twice too wide either."""
    base = meshed(hills(1), 1, half_mm=(14.0, 11.0), noise_mm=0.0)
    inside, ratios = np.zeros((RUNS, 2)), np.zeros((RUNS, 2))
    for run in range(RUNS):
        rng = np.random.default_rng(1000 + run)
        one, two = (_disturbed(base, rng, white_mm, smooth_mm) for _ in range(2))
        fit = fit_from(one.samples(4_000), two, np.eye(4), scale_mm=0.1, steps=12)
        stated = certainty_of(fit)
        off = float(np.linalg.norm(apply(fit.T, stated.centre) - stated.centre))
        ratios[run] = off / stated.u95_mm(stated.centre), angle_deg(fit.T) / stated.u95_rotation_deg
        inside[run] = ratios[run] <= 1.0
    assert (inside.mean(axis=0) >= 0.95 - 0.085).all()
    assert (np.quantile(ratios, 0.95, axis=0) > 0.4).all()


def test_it_holds_in_another_frame_as_in_its_own() -> None:
    base = meshed(hills(2), 1, half_mm=(12.0, 10.0))
    fit = fit_from(
        surface(meshed(hills(2), 3, half_mm=(12.0, 10.0))).samples(3_000),
        surface(base),
        np.eye(4),
        scale_mm=0.1,
        steps=12,
    )
    own, T = certainty_of(fit), frame(7)
    carried, place = own.carried(T), np.array([20.0, -5.0, 3.0])
    assert carried.u95_mm(apply(T, place[None])[0]) == pytest.approx(own.u95_mm(place), rel=1e-9)
    assert carried.u95_rotation_deg == pytest.approx(own.u95_rotation_deg, rel=1e-9)
    assert own.u95_mm(place) > own.u95_mm(own.centre)


def test_stitching_that_no_fit_sees_is_added_on_request() -> None:
    scan = surface(meshed(hills(2), 1, half_mm=(12.0, 10.0)))
    own = certainty_of(fit_from(scan.samples(3_000), scan, np.eye(4), scale_mm=0.1, steps=6))
    wide = own.widened(0.010)
    one_way = np.sqrt(7.8147) * 0.010  # 95 % of three equal normal deviates lie within sqrt(chi2(0.95, 3))
    assert wide.u95_mm(own.centre) == pytest.approx(one_way, rel=0.35)
    assert wide.u95_mm(own.centre) >= one_way
