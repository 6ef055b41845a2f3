"""Ways along an axis against closed forms, and against libigl's rays on the same facets."""

from __future__ import annotations

import igl
import numpy as np
import pytest

from server.metrology.rigid import apply, small_motion
from server.metrology.scan import Scan
from server.metrology.space.axis_rays import crossings, exits, first_met, open_channel
from tests.metrology.shapes import scattered, sphere, turned
from tests.metrology.space.solids import UP, block, cylinder, hollowed, surface

ONE = np.zeros((1, 3))


def tilted(angle_deg: float, azimuth_deg: float = 30.0) -> np.ndarray:
    a, z = np.radians(angle_deg), np.radians(azimuth_deg)
    return np.array([[np.sin(a) * np.cos(z), np.sin(a) * np.sin(z), np.cos(a)]])


@pytest.mark.parametrize("angle_deg", [0.0, 17.0, 30.0])
def test_a_tilted_axis_leaves_a_box_where_it_must(angle_deg: float) -> None:
    """A box 8 mm thick above the seat: 8 / cos of the tilt."""
    solid = surface(block((30.0, 30.0, 10.0), (0.0, 0.0, 3.0), edge_mm=2.0))
    found = exits(solid, ONE, tilted(angle_deg), np.array([4.0]))
    assert found.way_mm[0] == pytest.approx(8.0 / np.cos(np.radians(angle_deg)), abs=1e-9)


def test_a_hollow_that_holds_the_body_is_no_way_out() -> None:
    """The seat lies 0.2 mm within the wall below the body's hollow, as a relined denture may have it."""
    solid = surface(hollowed(block((20.0, 20.0, 10.0), (0.0, 0.0, 4.0)), cylinder(2.0, 0.2, 4.7)))
    assert exits(solid, ONE, UP[None], np.array([4.5])).way_mm[0] == pytest.approx(9.0, abs=1e-9)
    kinds = crossings(solid, ONE, UP[None])
    assert kinds.way_mm[0, :3] == pytest.approx([0.2, 4.7, 9.0], abs=1e-9)
    assert kinds.is_leaving[0, :3].tolist() == [True, False, True]


def test_a_groove_is_no_way_out_either() -> None:
    solid = surface(hollowed(block((20.0, 20.0, 10.0), (0.0, 0.0, 4.0)), cylinder(2.0, 6.0, 6.2)))
    assert exits(solid, ONE, UP[None], np.array([1.0])).way_mm[0] == pytest.approx(9.0, abs=1e-9)


def test_where_the_axis_never_leaves_there_is_no_way() -> None:
    solid = surface(block((5.0, 5.0, 5.0), (20.0, 0.0, 0.0)))
    assert np.isnan(exits(solid, ONE, UP[None], np.array([4.0])).way_mm[0])
    assert np.isnan(first_met(solid, ONE, UP[None]).way_mm[0])


def test_the_other_jaw_is_met_from_its_scanned_side_only() -> None:
    """A sphere of 10 mm, 30 mm away, its outside out: met at 20 mm; turned inside out: at its far side, at 40 mm."""
    ball = sphere(10.0, 6)
    away = Scan(ball.vertices + 30.0 * UP, ball.faces)
    assert first_met(surface(away), ONE, UP[None]).way_mm[0] == pytest.approx(20.0, abs=0.002)
    assert first_met(surface(turned(away)), ONE, UP[None]).way_mm[0] == pytest.approx(40.0, abs=0.002)


def test_ways_agree_with_a_reference_library() -> None:
    """Oracle: libigl's ray_mesh_intersect, in single precision."""
    scan = scattered(sphere(12.0, 4), 0.02)
    solid = surface(scan)
    rng = np.random.default_rng(7)
    for direction in rng.normal(size=(40, 3)):
        d = direction / np.linalg.norm(direction)
        origin = rng.normal(scale=3.0, size=3)
        hits = igl.ray_mesh_intersect(origin, d, scan.vertices, scan.faces.astype(np.int64))
        way = exits(solid, origin[None], d[None], np.zeros(1)).way_mm[0]
        assert way == pytest.approx(min(hit[1] for hit in hits), abs=1e-4)


@pytest.mark.parametrize("angle_deg", [0.0, 12.0])
def test_an_open_channel_is_read_from_its_rim(angle_deg: float) -> None:
    """A box 8 mm high with a hole of 2.4 mm through it: the rim's plane meets the tilted axis at 8 / cos."""
    box = block((20.0, 20.0, 10.0), (0.0, 0.0, 3.0))
    hole = cylinder(1.2, -8.0, 20.0)
    keep = np.hypot(box.vertices[:, 0], box.vertices[:, 1]) > 2.1
    pierced = Scan(box.vertices, box.faces[keep[box.faces].all(axis=1)])
    assert hole.n_faces > 0
    axis = tilted(angle_deg)[0]
    assert np.isnan(exits(surface(pierced), ONE, axis[None], np.zeros(1)).way_mm[0])
    rim = open_channel(surface(pierced), np.zeros(3), axis, 0.0)
    assert rim is not None
    assert rim.way_mm == pytest.approx(8.0 / np.cos(np.radians(angle_deg)), abs=1e-6)
    assert rim.normal == pytest.approx(UP, abs=1e-6)


def test_nothing_hangs_on_the_frame() -> None:
    solid = block((30.0, 30.0, 10.0), (0.0, 0.0, 3.0), edge_mm=2.0)
    T = small_motion(np.array([0.7, -0.4, 1.1, 12.0, -30.0, 8.0]))
    moved = surface(Scan(apply(T, solid.vertices), solid.faces))
    axis = tilted(20.0) @ T[:3, :3].T
    way = exits(moved, apply(T, ONE), axis, np.array([4.0])).way_mm[0]
    assert way == pytest.approx(8.0 / np.cos(np.radians(20.0)), abs=1e-9)
