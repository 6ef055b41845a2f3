from __future__ import annotations

import numpy as np
import pytest
from scipy.spatial import cKDTree

from server.metrology.bodies.cells import Cells, thinned
from server.metrology.likeness.creases import crease_ratio, mean_curvature_per_mm
from server.metrology.scan import Scan
from server.metrology.topology import topology_of
from tests.metrology.likeness.arches import ridge
from tests.metrology.shapes import sphere, turned


def cells_of(scan: Scan) -> Cells:
    t = topology_of(scan)
    return thinned(scan.vertices, t.vertex_normals, t.vertex_areas_mm2, 0.6)


@pytest.mark.parametrize("radius_mm", [4.0, 8.0, 12.0])
def test_a_ball_is_bent_by_one_over_its_radius_everywhere(radius_mm: float) -> None:
    cells = cells_of(sphere(radius_mm))
    bent = mean_curvature_per_mm(cells, cKDTree(cells.points))
    # Closed form: on a sphere (m - n)·d / d² = 1/r for every pair. Cells average over 0.6 mm, hence the tenth.
    assert np.median(bent) == pytest.approx(1.0 / radius_mm, rel=0.1)


def test_seen_from_inside_a_small_ball_is_all_crease_and_a_large_one_none() -> None:
    for radius_mm, expected in ((2.0, 1.0), (6.0, 0.0)):
        cells = cells_of(turned(sphere(radius_mm)))
        near, none = cKDTree(cells.points), np.zeros(len(cells.points), bool)
        assert crease_ratio(cells, near, np.zeros((0, 3)), none) == pytest.approx(expected, abs=0.05)


def test_crowns_are_creased_and_a_ridge_is_not() -> None:
    for scan, low, high in ((ridge(), 0.0, 0.002), (ridge(crowns=14), 0.03, 0.2)):
        cells = cells_of(scan)
        near, none = cKDTree(cells.points), np.zeros(len(cells.points), bool)
        assert low <= crease_ratio(cells, near, np.zeros((0, 3)), none) <= high


def test_what_is_left_out_does_not_count() -> None:
    cells = cells_of(turned(sphere(2.0)))
    everything = np.ones(len(cells.points), bool)
    assert crease_ratio(cells, cKDTree(cells.points), np.zeros((0, 3)), everything) == 0.0
    near_border = cells.points
    assert crease_ratio(cells, cKDTree(cells.points), near_border, ~everything) == 0.0
