"""Sizes of teeth and arches against published values and closed forms."""

from __future__ import annotations

import numpy as np
import pytest

from seed_data.phantoms.anatomy import CROWNS, INTERMOLAR_MM, OCCLUSAL_SPHERE_MM, arch_length_ratio
from seed_data.phantoms.arch_form import beta_arch_mm, beta_curve, depth_for_length
from seed_data.phantoms.layout import plan_layouts
from server.records.teeth import Arch


def test_sums_of_crown_widths_give_the_known_ratios() -> None:
    """Sums of twelve teeth 93.0 and 85.0 mm: ratio 91.398 %, of six 77.778 % (arithmetic on Ash & Nelson's table);
    within one deviation of Bolton's 91.3 ± 1.91 and 77.2 ± 1.65 (from memory)."""
    sums = {arch: 2 * sum(crown.mesiodistal_mm for crown in CROWNS[arch][:6]) for arch in Arch}
    assert (sums[Arch.UPPER], sums[Arch.LOWER]) == (93.0, 85.0)
    assert 100 * arch_length_ratio(6) == pytest.approx(91.398, abs=5e-4)
    assert 100 * arch_length_ratio(3) == pytest.approx(77.778, abs=5e-4)


def test_the_beta_arch_has_its_published_form() -> None:
    """Braun, Hnat, Fender & Legan 1998: y = 3.0314 D (x/W + 1/2)^0.8 (1/2 - x/W)^0.8 with W 50, D 40 mm."""
    x = np.array([0.0, 5.0, 10.0, 15.0, 20.0, 25.0])
    y = beta_arch_mm(x, width_mm=50.0, depth_mm=40.0)
    assert y == pytest.approx([39.9996, 38.7144, 34.7919, 27.9898, 17.6643, 0.0], abs=1e-3)
    fine = np.linspace(-25.0, 25.0, 200_001)
    area_mm2 = float(np.trapezoid(beta_arch_mm(fine, width_mm=50.0, depth_mm=40.0), fine))
    assert area_mm2 == pytest.approx(1414.93, abs=0.05)


def test_the_depth_makes_half_the_arch_as_long_as_asked() -> None:
    depth = depth_for_length(width_mm=50.0, half_length_mm=48.0)
    curve = beta_curve(width_mm=50.0, depth_mm=depth)
    assert curve.s_mm[-1] == pytest.approx(48.0, abs=1e-3)
    assert curve.s_mm[0] == pytest.approx(-48.0, abs=1e-3)


@pytest.mark.parametrize("seed", range(4))
@pytest.mark.parametrize("arch", list(Arch))
def test_crowns_and_arch_widths_are_those_of_the_table(arch: Arch, seed: int) -> None:
    """Crowns scale together by a few percent; their proportions stay. Width at the second molars: 53.8 ± 2.8 and
    51.7 ± 2.6 mm (Braun 1998), kept within two deviations."""
    layout, other = plan_layouts(seed, arch, teeth_a_side=7)
    for jaw in (layout, other):
        crowns = CROWNS[jaw.arch]
        published = np.array([[c.mesiodistal_mm, c.faciolingual_mm, c.length_mm] for c in crowns] * 2)
        sizes = jaw.teeth.sizes_mm[:, :3] * [2 / 1.05, 2.0, 1.0]
        ratio = sizes / published
        assert ratio.max() - ratio.min() < 1e-9
        assert 0.93 < ratio.mean() < 1.07
        mean, deviation = INTERMOLAR_MM[jaw.arch]
        end_mm = 0.985 * ratio.mean() * sum(crown.mesiodistal_mm for crown in crowns)
        width_mm = float(jaw.facial.at(end_mm)[0] - jaw.facial.at(-end_mm)[0])
        assert abs(width_mm - mean) < 2.0 * deviation


def test_cusps_and_edges_lie_on_the_occlusal_sphere() -> None:
    """A sphere of 4 in, here by its paraboloid."""
    assert OCCLUSAL_SPHERE_MM == 4 * 25.4
    layout, _ = plan_layouts(1, Arch.LOWER, teeth_a_side=7)
    uv = np.array([[0.0, layout.pole_v_mm], [20.0, layout.pole_v_mm]])
    low, beside = layout.occlusal_mm(uv)
    assert (low, beside) == (0.0, pytest.approx(400.0 / (2 * 101.6)))
