"""Check values with their source: how a rigid fit spreads errors, hides them, and what instruments are reported to do."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from server.metrology.constellation.compare import Comparison, Hand, compare
from server.metrology.constellation.pairing import rigid_fits
from server.metrology.constellation.poses import Floats, Paired, Poses, angles_rad
from server.metrology.constellation.seating import misfit_of, motion_columns
from server.metrology.constellation.shape_change import ap_spread_mm
from tests.metrology.constellation.arches import arch, intraoral, motion, photogrammetry, poses

P = np.array([(-22.0, 0, 0), (-8, 18, 0), (8, 18, 0), (22, 0, 0)])
"""Four implants of an edentulous arch, flat and symmetric about the midline."""
SKEW = np.array([(-22.0, 0, 0), (-8, 18, 1), (9, 17, 0), (21, -1, 2)])
UP = np.tile([0.0, 0.0, 1.0], (4, 1))


def _compared(a: Floats, b: Floats = P) -> Comparison:
    found = compare(poses(a, UP), poses(b, UP))
    assert found is not None
    assert found.pairs.tolist() == [[k, k] for k in range(4)]
    return found


def _with_end_off(shift: tuple[float, float, float]) -> Floats:
    off = P.copy()
    off[3] += shift
    return off


def test_a_fit_leaves_less_than_the_errors_it_was_made_from() -> None:
    """Check 5. Fitzpatrick, West & Maurer 1998, IEEE TMI 17:694-702: E[FRE²] = (1 - 2/N) FLE². FLE 30 µm, N = 4: 21.213 µm."""
    rng = np.random.default_rng(5)
    target = P + rng.normal(scale=0.030 / np.sqrt(3.0), size=(40_000, 4, 3))
    T = rigid_fits(np.broadcast_to(P, target.shape), target)
    left = np.einsum("kij,nj->kni", T[:, :3, :3], P) + T[:, None, :3, 3] - target
    assert np.sqrt((left**2).sum(axis=2).mean()) * 1000.0 == pytest.approx(21.213, rel=0.01)
    np.testing.assert_allclose(np.linalg.det(T[:, :3, :3]), 1.0, atol=1e-12)


def test_errors_grow_with_the_distance_from_the_points_fitted() -> None:
    """Check 6. The same authors: E[TRE²(r)] = FLE²/N · (1 + ⅓ Σ d_k²/f_k²)."""
    targets = np.array([(0.0, 9, 0), (0, 18, 10), (0, -20, 0), (30, -20, 0)])
    same = poses(P, UP)
    X = motion_columns(misfit_of(Paired(same, same), np.eye(4)))[:12]
    covariance = np.linalg.inv(X.T @ X) / 3.0
    spread = []
    for r in targets - P.mean(axis=0):
        move = np.hstack([np.array([(0, r[2], -r[1]), (-r[2], 0, r[0]), (r[1], -r[0], 0)]), np.eye(3)])
        spread.append(np.sqrt(np.trace(move @ covariance @ move.T)))
    np.testing.assert_allclose(spread, [0.5, 0.69688, 1.14571, 1.34076], atol=1e-5)


def test_an_arch_too_wide() -> None:
    """Check 7, computed: P times 1.0025."""
    found = _compared(P * 1.0025)
    upper = found.pair_mm[np.triu_indices(4, 1)] * 1000.0
    np.testing.assert_allclose(upper, [57.009, 87.464, 110.0, 40.0, 87.464, 57.009], atol=1e-3)
    np.testing.assert_allclose(found.residual_mm * 1000.0, [59.42, 30.10, 30.10, 59.42], atol=0.01)
    assert found.rms_mm * 1000.0 == pytest.approx(47.10, abs=0.01)
    assert found.worst_pair == (0, 3)
    assert found.scale.ratio == pytest.approx(1.0025, abs=1e-9)
    assert found.scale.ratio - found.scale.u95 > 1.0


def test_one_end_off_along_the_arch() -> None:
    """Check 8, computed: 0.1 mm in x at one end."""
    found = _compared(_with_end_off((0.1, 0.0, 0.0)))
    np.testing.assert_allclose(found.residual_mm * 1000.0, [33.71, 19.96, 19.96, 70.69], atol=0.01)
    assert found.rms_mm * 1000.0 == pytest.approx(41.62, abs=0.01)


def test_one_end_too_high_is_hidden_by_the_fit_and_found_by_the_axes() -> None:
    """Check 9, computed: 0.1 mm in z at one end: its neighbours' residuals are the larger, leaving one out ties two ends;
    the axes, which did not turn, tell the one."""
    found = _compared(_with_end_off((0.0, 0.0, 0.1)))
    np.testing.assert_allclose(found.residual_mm * 1000.0, [5.84, 16.06, 16.06, 5.84], atol=0.01)
    assert found.rms_mm * 1000.0 == pytest.approx(12.08, abs=0.01)
    assert found.leave_one_out_mm is not None
    np.testing.assert_allclose(found.leave_one_out_mm * 1000.0, [100.0, 36.36, 36.36, 100.0], atol=0.06)
    assert found.suspects is not None
    assert found.suspects.named == (3,)
    np.testing.assert_allclose(found.suspects.displacements[3].shift_mm, [0.0, 0.0, 0.1], atol=1e-3)


def test_the_mirror_image_of_a_flat_symmetric_set_cannot_be_seen() -> None:
    """Check 10, computed: P and axes square to its plane."""
    found = compare(poses(P, UP), poses(P, UP).mirrored())
    assert found is not None
    assert found.rms_mm < 1e-9
    assert found.hand is Hand.UNTOLD
    assert np.linalg.det(found.T_a_b[:3, :3]) == pytest.approx(1.0, abs=1e-12)


def test_axes_show_the_hand_where_positions_cannot() -> None:
    """The same flat set, one implant leaning to the back."""
    leaning = UP.copy()
    leaning[0] = np.array([0.0, -np.sin(0.3), np.cos(0.3)])
    same, other = poses(P, leaning), poses(P, leaning).mirrored().moved(motion(np.random.default_rng(3)))
    for b, hand in ((same, Hand.SAME), (other, Hand.MIRRORED)):
        found = compare(same, b)
        assert found is not None
        assert found.hand is hand


def test_the_mirror_image_of_a_skew_set_is_seen() -> None:
    """Check 10, computed: what a rigid fit leaves of it, 1.18792 mm."""
    found = compare(poses(SKEW, UP), poses(SKEW, UP).mirrored())
    assert found is not None
    assert found.is_mirrored
    assert found.pairs.tolist() == [[k, k] for k in range(4)]
    assert found.rms_mm == pytest.approx(1.18792, abs=1e-5)
    assert found.suspects is None
    assert np.linalg.det(found.T_a_b[:3, :3]) == pytest.approx(1.0, abs=1e-12)


@pytest.mark.parametrize("kind", [np.float64, np.float32])
def test_axes_a_hundredth_of_a_degree_apart(kind: type) -> None:
    """Check 11, computed: arccos of a scalar product in single precision resolves nothing below 0.0198°."""
    v = np.array([0.0, np.sin(np.radians(0.01)), np.cos(np.radians(0.01))], dtype=kind)
    assert np.degrees(angles_rad(UP[0].astype(kind), v)) == pytest.approx(0.0100, abs=5e-5)


def test_an_axis_that_turned_shows_in_its_pairs_and_after_the_fit() -> None:
    turned = UP.copy()
    turned[1] = [0.0, np.sin(np.radians(0.5)), np.cos(np.radians(0.5))]
    found = compare(poses(P, turned), poses(P, UP))
    assert found is not None
    np.testing.assert_allclose(found.axis_deg, [0.0, 0.5, 0.0, 0.0], atol=1e-6)
    np.testing.assert_allclose(found.pair_axis_deg[1], [0.5, 0.0, 0.5, 0.5], atol=1e-6)


def test_how_far_the_front_stands_before_the_ends() -> None:
    """Check 12, computed: A-P spread centre to centre 18.0 mm; a cantilever of 1.5 times that (English 1990), 27.0 mm."""
    spread = ap_spread_mm(poses(P, UP).moved(motion(np.random.default_rng(1))))
    assert spread == pytest.approx(18.0, abs=1e-9)
    assert 1.5 * spread == pytest.approx(27.0, abs=1e-9)


def test_simulated_instruments_do_what_is_reported_of_them() -> None:
    """Check 21. Photogrammetry 17-37 µm and 0.16-0.34° (Univ. Liège orbi 2268/345048); intraoral scans of complete arches
    with implants 24-99 µm and 0.28-0.78° (doi 10.11607/ijp.7332): medians over the sites, each against the exact set."""
    rng = np.random.default_rng(21)
    for instrument, mm, deg in (
        (photogrammetry, (0.017, 0.037), (0.16, 0.34)),
        (intraoral, (0.024, 0.099), (0.28, 0.78)),
    ):
        off, turned = [], []
        for _ in range(6):
            exact = arch(rng, 6, "mouth")
            found = compare(replace(exact, u95_position_mm=np.full(6, 0.01)), instrument(rng, exact))
            assert found is not None
            off.append(found.residual_mm)
            turned.append(found.axis_deg)
        assert mm[0] <= np.median(off) <= mm[1]
        assert deg[0] <= np.median(turned) <= deg[1]


def test_poses_that_are_none_are_refused() -> None:
    for spoil in (
        {"axes": UP * 2.0},
        {"positions_mm": P * np.nan},
        {"u95_axis_deg": np.zeros(4)},
        {"axes": UP[:3]},
    ):
        with pytest.raises(ValueError):  # noqa: PT011
            Poses(
                **(
                    {"positions_mm": P, "axes": UP, "u95_position_mm": np.ones(4), "u95_axis_deg": np.ones(4)}
                    | spoil
                )
            )
