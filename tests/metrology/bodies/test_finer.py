from __future__ import annotations

import numpy as np
import pytest
import trimesh

from server.metrology.bodies.finer import finer, long_share
from server.metrology.scan import Scan


def post() -> trimesh.Trimesh:
    """A cylinder with points along its rims only, as a drawing gives it."""
    return trimesh.creation.cylinder(2.0, 8.0, sections=64)


def scan_of(mesh: trimesh.Trimesh) -> Scan:
    return Scan(np.array(mesh.vertices), np.array(mesh.faces, dtype=np.int32))


def test_no_edge_stays_long_and_nothing_else_changes() -> None:
    mesh = post()
    made = finer(scan_of(mesh), 0.4)
    after = trimesh.Trimesh(made.vertices, made.faces, process=False)
    assert after.edges_unique_length.max() <= 0.4
    assert after.area == pytest.approx(mesh.area, rel=1e-12)
    assert after.volume == pytest.approx(mesh.volume, rel=1e-12)
    assert after.is_watertight
    assert after.is_winding_consistent
    assert np.array_equal(made.vertices[: len(mesh.vertices)], mesh.vertices)


def test_what_is_fine_stays_as_it_is() -> None:
    ball = scan_of(trimesh.creation.icosphere(4, radius=2.0))
    made = finer(ball, 1.0)
    assert np.array_equal(made.vertices, ball.vertices)
    assert np.array_equal(made.faces, ball.faces)


def test_the_share_of_long_facets() -> None:
    assert long_share(scan_of(post()), 1.2) == pytest.approx(1.0, abs=0.01)
    assert long_share(scan_of(trimesh.creation.icosphere(4, radius=2.0)), 1.2) == 0.0
    assert long_share(Scan(np.zeros((3, 3)), np.array([[0, 1, 2]], dtype=np.int32)), 1.2) == 0.0
