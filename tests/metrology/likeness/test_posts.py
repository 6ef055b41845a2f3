from __future__ import annotations

import numpy as np
import pytest
from scipy.spatial import cKDTree

from server.metrology.bodies.cells import Cells, thinned
from server.metrology.likeness.posts import near_posts, posts_in
from server.metrology.scan import Scan
from server.metrology.topology import topology_of
from tests.metrology.likeness.arches import post, ridge
from tests.metrology.shapes import moved, sphere


def cells_of(scan: Scan) -> Cells:
    t = topology_of(scan)
    return thinned(scan.vertices, t.vertex_normals, t.vertex_areas_mm2, 0.6)


@pytest.mark.parametrize(("radius_mm", "height_mm"), [(1.5, 5.0), (2.0, 7.0), (2.6, 4.0), (3.1, 9.0)])
def test_a_cylinder_is_one_whole_post_of_its_size(radius_mm: float, height_mm: float) -> None:
    cells = cells_of(moved(post(radius_mm, height_mm)))
    (found,) = posts_in(cells, cKDTree(cells.points))
    assert found.is_whole
    assert found.radius_mm == pytest.approx(radius_mm, abs=0.1)
    # a cell holds the mean of what lies in it: up to one cell of wall is lost to the edge at the top
    assert found.height_mm == pytest.approx(height_mm, abs=0.9)


def test_the_turn_is_the_share_of_the_wall_that_is_there() -> None:
    cells = cells_of(post(turn=0.75))
    (found,) = posts_in(cells, cKDTree(cells.points))
    assert found.turn_ratio == pytest.approx(
        0.75, abs=2.5 / 24.0
    )  # a part of the turn at either end is there in part
    assert not found.is_whole


@pytest.mark.parametrize("scan", [ridge(), sphere(12.0), post(2.0, 2.0), post(turn=0.4)])
def test_a_ridge_a_ball_a_cap_and_less_than_half_a_wall_are_none(scan: Scan) -> None:
    cells = cells_of(scan)
    assert posts_in(cells, cKDTree(cells.points)) == []


def test_inside_out_there_is_no_post() -> None:
    scan = post()
    cells = cells_of(Scan(scan.vertices, scan.faces[:, ::-1]))
    assert posts_in(cells, cKDTree(cells.points)) == []


def test_what_lies_at_a_post_is_told() -> None:
    cells = cells_of(post())
    posts = posts_in(cells, cKDTree(cells.points))
    assert near_posts(cells, posts, 1.5).all()
    far = Cells(cells.points + np.array([20.0, 0.0, 0.0]), cells.normals, cells.areas_mm2)
    assert not np.any(near_posts(far, posts, 1.5))
