"""Closest points against libigl on the same points to far below 1 µm; rays against the sphere's closed form."""

from __future__ import annotations

import igl
import numpy as np
import pytest

from server.metrology.bvh import BoxTree
from tests.metrology.shapes import scattered, sphere


def test_distances_agree_with_a_reference_library() -> None:
    """Oracle: libigl's point_mesh_squared_distance."""
    scan = scattered(sphere(12.0, 5), 0.02)
    rng = np.random.default_rng(1)
    queries = scan.vertices[rng.integers(scan.n_vertices, size=4000)] + rng.normal(scale=1.5, size=(4000, 3))
    squared, _, closest = igl.point_mesh_squared_distance(queries, scan.vertices, scan.faces.astype(np.int64))
    nearest = BoxTree(scan).nearest(queries)
    assert np.abs(nearest.distance_mm - np.sqrt(squared)).max() < 1e-9
    assert np.abs(np.linalg.norm(queries - nearest.points, axis=1) - nearest.distance_mm).max() < 1e-12
    assert np.abs(nearest.points - closest).max() < 1e-6


def test_beyond_reach_nothing_is_found() -> None:
    nearest = BoxTree(sphere(10.0, 3)).nearest(np.array([[0.0, 0.0, 13.0], [0.0, 0.0, 10.5]]), reach_mm=1.0)
    assert nearest.facets[0] == -1
    assert np.isinf(nearest.distance_mm[0])
    assert nearest.distance_mm[1] == pytest.approx(0.5, abs=0.05)


def test_rays_meet_a_sphere_where_they_must() -> None:
    tree = BoxTree(sphere(10.0, 6))
    rng = np.random.default_rng(2)
    directions = rng.normal(size=(500, 3))
    directions /= np.linalg.norm(directions, axis=1, keepdims=True)
    hits = tree.first_hits(np.zeros((500, 3)), directions)
    assert np.abs(hits.distance_mm - 10.0).max() < 0.005  # sagitta of a facet of 0.17 mm
    outward = tree.first_hits(directions * 10.5, directions)
    assert (outward.facets == -1).all()
    assert np.isinf(outward.distance_mm).all()
    assert tree.is_blocked(np.zeros((500, 3)), directions, np.inf, 0.0).all()
    assert not tree.is_blocked(directions * 10.5, directions, np.inf, 0.0).any()


def test_a_ray_looks_between_start_and_reach_only() -> None:
    tree = BoxTree(sphere(10.0, 4))
    origin, up = np.zeros((1, 3)), np.array([[0.1, 0.2, 0.97]])
    up /= np.linalg.norm(up)
    assert not tree.is_blocked(origin, up, 9.0, 0.0)[0]
    assert not tree.is_blocked(origin, up, np.inf, 10.5)[0]
    assert tree.is_blocked(origin, up, 10.5, 9.0)[0]


def test_one_facet_is_enough_for_a_tree() -> None:
    from server.metrology.scan import Scan

    scan = Scan(np.array([(0, 0, 0), (1, 0, 0), (0, 1, 0)], float), np.array([(0, 1, 2)], np.int32))
    nearest = BoxTree(scan).nearest(np.array([[0.25, 0.25, 2.0]]))
    assert nearest.distance_mm[0] == pytest.approx(2.0)
    assert nearest.facets[0] == 0
