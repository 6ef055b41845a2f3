from __future__ import annotations

import numpy as np
import pytest

from server.metrology.bvh import BoxTree
from server.metrology.layers import DoubleLayer, double_layer_of
from server.metrology.scan import Scan
from server.metrology.topology import topology_of
from tests.metrology.shapes import centres, joined, kept, moved, scattered, sphere


def _doubled(scan: Scan) -> DoubleLayer:
    return double_layer_of(topology_of(scan), BoxTree(scan))


@pytest.mark.parametrize("height_mm", [0.3, 1.0, 4.0])
@pytest.mark.parametrize("gap_mm", [0.1, 0.4])
def test_a_second_cap_is_measured(height_mm: float, gap_mm: float) -> None:
    """Closed form: a cap of a sphere has the area 2 pi r h."""
    ball = sphere(12.0, 6)
    upper = kept(ball, centres(ball)[:, 2] > 12.0 - height_mm)
    grown = Scan(upper.vertices * (1 + gap_mm / 12.0), upper.faces)
    double = _doubled(moved(scattered(joined(ball, grown), 0.01)))
    assert double.area_mm2 == pytest.approx(2 * np.pi * 12.0 * height_mm, rel=0.15)
    assert double.gap_mm == pytest.approx(gap_mm, abs=0.02)
    assert len(double.places_mm) >= 1


@pytest.mark.parametrize("sigma_mm", [0.005, 0.03])
def test_a_single_surface_is_not_double(sigma_mm: float) -> None:
    assert _doubled(scattered(sphere(12.0, 6), sigma_mm)).area_mm2 < 0.5


def test_a_thin_wall_is_not_double() -> None:
    """Two spheres 0.5 mm apart, the inner one turned: a wall, whose two sides face apart."""
    outer, inner = sphere(12.0, 5), sphere(11.5, 5)
    wall = joined(outer, Scan(inner.vertices, inner.faces[:, (0, 2, 1)].copy()))
    assert _doubled(wall).area_mm2 == 0.0


def test_large_scans_are_sampled_without_bias() -> None:
    ball = sphere(12.0, 7)
    upper = kept(ball, centres(ball)[:, 2] > 10.0)
    grown = Scan(upper.vertices * (1 + 0.2 / 12.0), upper.faces)
    double = _doubled(joined(ball, grown))
    assert abs(double.area_mm2 - 2 * np.pi * 12.0 * 2.0) < max(double.u95_mm2, 0.15 * double.area_mm2)
