"""Walls beside a body against closed forms: a block whose sides are a known way from it."""

from __future__ import annotations

import numpy as np
import pytest

from server.metrology.rigid import apply, small_motion
from server.metrology.scan import Scan
from server.metrology.space.walls import CHANNEL_RADIUS_MM, Standing, least_walls, short_by_mm
from tests.metrology.space.solids import UP, block, cylinder, hollowed, post, ready_post, surface

KIND = ready_post(2.0, 5.0)
STILL = np.eye(4)


def standing(T: np.ndarray = STILL, leaves_mm: float | None = None) -> Standing:
    return Standing(KIND, T, leaves_mm, UP if leaves_mm is not None else None)


def closed_post() -> Scan:
    """The body's hollow, closed at the seat."""
    open_post = post(2.0, 5.0)
    rim = np.flatnonzero(open_post.vertices[:, 2] < 1e-9)
    order = rim[np.argsort(np.arctan2(open_post.vertices[rim, 1], open_post.vertices[rim, 0]))]
    vertices = np.vstack([open_post.vertices, [[0.0, 0.0, 0.0]]])
    lid = np.stack([np.roll(order, -1), order, np.full(len(order), len(vertices) - 1)], -1)
    return Scan(vertices, np.vstack([open_post.faces, lid]).astype(np.int32))


def test_the_thinnest_side_is_found() -> None:
    """Sides 4.0, 6.0, 5.0, 5.5 mm from the axis, lid 8.5 mm above the seat: the wall is 4.0 less the radius."""
    outer = block((10.0, 10.5, 12.5), (1.0, 0.25, 2.25))
    found = least_walls(surface(hollowed(outer, closed_post())), standing(), (), ())
    assert found.body is not None
    assert found.body.wall_mm == pytest.approx(2.0, abs=0.002)
    assert found.body.at[0] == pytest.approx(-4.0, abs=1e-9)


def test_a_wall_whose_points_scatter_is_not_read_thinner() -> None:
    """The thin side, of 2.0 mm over 50 mm², scattered by 0.02 mm: the least of its points alone falls short by 0.05 mm."""
    outer = block((10.0, 10.5, 12.5), (1.0, 0.25, 2.25), edge_mm=0.3)
    off = np.random.default_rng(5).normal(scale=0.02, size=outer.n_vertices)
    outer.vertices[:, 0] += np.where(outer.vertices[:, 0] < -3.999, off, 0.0)
    denture = surface(hollowed(outer, closed_post()))
    taken, told = (least_walls(denture, standing(), (), (), scatter_mm=s) for s in (0.0, 0.02))
    assert taken.body is not None
    assert told.body is not None
    assert taken.body.wall_mm < 1.96
    assert told.body.wall_mm == pytest.approx(
        2.0, abs=0.015
    )  # the least of 100 and more varies by 0.4 scatters


@pytest.mark.parametrize(("n", "expected"), [(1, 0.0), (5, 1.163), (100, 2.508)])
def test_the_least_of_n_falls_short_by_its_expected_value(n: int, expected: float) -> None:
    """Expected extremes of n normal values: 1.16296 of 5, 2.50759 of 100 (Harter 1961, from memory)."""
    ways = np.concatenate([np.full(n, 3.0), [3.4]])
    assert short_by_mm(ways, 0.1) == pytest.approx(0.1 * expected, abs=0.002)


def test_over_the_top_counts_as_well() -> None:
    outer = block((14.0, 14.0, 10.2), (0.0, 0.0, 1.1))
    found = least_walls(surface(hollowed(outer, closed_post())), standing(), (), ())
    assert found.body is not None
    assert found.body.wall_mm == pytest.approx(1.2, abs=1e-6)


def test_a_tilted_body_comes_nearer_with_its_edge() -> None:
    """A side at x = 5; the body leans 20° toward it: its top edge comes to 5 sin + 2 cos beyond the axis' foot."""
    T = small_motion(np.array([0.0, np.radians(20.0), 0.0, 0.0, 0.0, 0.0]))
    turned_about = small_motion(np.array([0.0, 0.0, np.pi, 0.0, 0.0, 0.0]))
    T = T @ turned_about  # the flat looks the other way
    outer = block((30.0, 30.0, 40.0), (-10.0, 0.0, 0.0), edge_mm=1.0)
    found = least_walls(surface(outer), standing(T), (), ())
    assert found.body is not None
    reach = 5.0 * np.sin(np.radians(20.0)) + 2.0 * np.cos(np.radians(20.0))
    assert found.body.wall_mm == pytest.approx(5.0 - reach, abs=0.002)


def test_the_hollow_itself_and_that_of_a_neighbour_are_no_walls() -> None:
    beside = small_motion(np.array([0.0, 0.0, 0.0, 5.0, 0.0, 0.0]))
    other = Scan(apply(beside, closed_post().vertices), closed_post().faces)
    denture = surface(hollowed(block((24.0, 10.0, 16.0), (0.0, 0.0, 2.0)), closed_post(), other))
    alone = least_walls(denture, standing(), (), ())
    both = least_walls(denture, standing(), (standing(beside),), ())
    assert alone.body is not None
    assert both.body is not None
    assert alone.body.wall_mm == pytest.approx(
        1.0, abs=0.01
    )  # the neighbour's hollow taken for an outer side
    assert both.body.wall_mm == pytest.approx(3.0, abs=0.002)


def test_what_lay_on_tissue_is_no_wall() -> None:
    """Tissue stands up 3.2 mm beside the axis, where the denture ends on it."""
    denture = surface(block((13.2, 20.0, 16.0), (-3.4, 0.0, 2.0)))
    tissue = surface(
        Scan(
            block((10.0, 20.0, 16.0), (8.2, 0.0, 2.0)).vertices,
            block((10.0, 20.0, 16.0), (8.2, 0.0, 2.0)).faces,
        )
    )
    taken = least_walls(denture, standing(), (), ())
    told = least_walls(denture, standing(), (), (tissue,))
    assert taken.body is not None
    assert taken.body.wall_mm == pytest.approx(1.2, abs=0.002)
    assert told.body is None or told.body.wall_mm > 3.5


def test_beside_the_channel_its_radius_is_taken_off() -> None:
    """A side 3 mm from the axis, 9 mm above the body; the face the channel comes out on does not count."""
    outer = block((9.0, 12.0, 20.0), (1.5, 0.0, 4.0))
    found = least_walls(surface(outer), standing(leaves_mm=14.0), (), ())
    assert found.channel is not None
    assert found.channel.wall_mm == pytest.approx(3.0 - CHANNEL_RADIUS_MM, abs=1e-6)
    assert cylinder(1.0, 0.0, 1.0).n_faces > 0


def test_far_from_everything_there_is_no_wall() -> None:
    found = least_walls(surface(block((4.0, 4.0, 4.0), (40.0, 0.0, 0.0))), standing(leaves_mm=9.0), (), ())
    assert found.body is None
    assert found.channel is None


def test_what_is_known_to_be_the_impression_side_is_no_outer_side() -> None:
    """A piece of the impression side that faces outward beside the body would pass for a wall of nothing."""
    outer = block((10.0, 10.5, 12.5), (1.0, 0.25, 2.25))
    whole = hollowed(outer, closed_post())
    n = whole.n_faces
    speck = Scan(
        np.vstack([whole.vertices, [[2.3, -1.0, 1.0], [2.3, 1.0, 1.0], [2.3, 0.0, 3.0]]]),
        np.vstack([whole.faces, np.array([[0, 1, 2]], dtype=np.int32) + whole.n_vertices]).astype(np.int32),
    )
    impression = np.arange(n + 1) == n
    fooled = least_walls(surface(speck), standing(), (), ())
    told = least_walls(surface(speck), standing(), (), (), impression)
    clean = least_walls(surface(whole), standing(), (), ())
    assert fooled.body is not None
    assert told.body is not None
    assert clean.body is not None
    assert fooled.body.wall_mm < 0.5
    assert told.body.wall_mm == pytest.approx(clean.body.wall_mm, abs=1e-9)


def test_slivers_by_a_torn_edge_are_no_outer_side() -> None:
    """Two facets 10 µm high beside the body, turned the way its side faces, as decimation leaves them by a hole."""
    whole = hollowed(block((10.0, 10.5, 12.5), (1.0, 0.25, 2.25)), closed_post())
    n = whole.n_vertices
    torn = np.array([(2.02, 0.0, 2.0), (2.02, 0.3, 2.0), (2.02, 0.15, 2.01), (2.02, 0.15, 1.99)])
    faces = np.array([(0, 1, 2), (0, 3, 1)], dtype=np.int32) + n
    scan = Scan(np.vstack([whole.vertices, torn]), np.vstack([whole.faces, faces]).astype(np.int32))
    found = least_walls(surface(scan), standing(), (), ())
    assert found.body is not None
    assert found.body.wall_mm == pytest.approx(2.0, abs=0.002)
