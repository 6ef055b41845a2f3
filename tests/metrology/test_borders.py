from __future__ import annotations

import numpy as np
import pytest

from server.metrology.borders import border_loops
from server.metrology.scan import Scan
from server.metrology.topology import topology_of
from tests.metrology.shapes import cap, centres, kept, moved, renumbered, sphere


def test_a_closed_surface_has_none() -> None:
    assert border_loops(topology_of(sphere(5.0, 3))) == ()


def _holed() -> Scan:
    """A half sphere of radius 25 with round holes of 5 and 8 mm."""
    whole = cap(25.0, 25.0, 6)
    middle = centres(whole)
    first = np.linalg.norm(middle - [0, 0, 25.0], axis=1) < 2.5
    second = np.linalg.norm(middle - [15.0, 0, 20.0], axis=1) < 4.0
    return kept(whole, ~first & ~second)


@pytest.mark.parametrize("change", [lambda s: s, moved, renumbered], ids=["as made", "moved", "renumbered"])
def test_holes_are_told_from_the_outer_border(change) -> None:  # type: ignore[no-untyped-def]
    """Facets are 0.45 mm long, so a hole cut along them is a facet's breadth wider at most."""
    loops = border_loops(topology_of(change(_holed())))
    assert [loop.is_outer for loop in loops] == [True, False, False]
    assert loops[0].area_mm2 == pytest.approx(np.pi * 25**2, rel=0.15)
    assert loops[1].diameter_mm == pytest.approx(8.0, abs=0.45)
    assert loops[2].diameter_mm == pytest.approx(5.0, abs=0.45)


def test_every_border_edge_belongs_to_one_loop() -> None:
    topology = topology_of(_holed())
    assert sum(loop.n_edges for loop in border_loops(topology)) == len(topology.border_half_edges)


def test_a_hole_in_a_closed_surface_is_no_outer_border() -> None:
    ball = sphere(20.0, 5)
    open_ball = kept(ball, np.linalg.norm(centres(ball) - [0, 0, 20.0], axis=1) > 5.0)
    (loop,) = border_loops(topology_of(open_ball))
    assert not loop.is_outer
    assert loop.diameter_mm == pytest.approx(10.0, abs=0.7)


def test_two_holes_that_touch_in_a_point_are_two() -> None:
    """A flat grid from which two squares are cut that share one corner."""
    n = 9
    grid = np.stack(np.meshgrid(np.arange(n), np.arange(n), indexing="ij"), axis=2).reshape(-1, 2)
    corner = lambda i, j: i * n + j  # noqa: E731
    cut = {(3, 3), (4, 4)}
    faces = []
    for i in range(n - 1):
        for j in range(n - 1):
            if (i, j) not in cut:
                a, b, c, d = corner(i, j), corner(i + 1, j), corner(i + 1, j + 1), corner(i, j + 1)
                faces += [(a, b, c), (a, c, d)]
    scan = Scan(np.column_stack([grid, np.zeros(n * n)]).astype(float), np.array(faces, np.int32))
    loops = border_loops(topology_of(scan))
    assert [loop.n_edges for loop in loops] == [32, 4, 4]
    assert [loop.area_mm2 for loop in loops[1:]] == pytest.approx([1.0, 1.0])
