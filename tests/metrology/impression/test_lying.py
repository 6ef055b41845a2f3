"""What scans of the jaw say of a denture whose sides are known."""

from __future__ import annotations

import numpy as np
import pytest

from server.metrology.impression.lying import OFF_MM, ON_MM, Lain, known_by
from server.metrology.registration.surface import Surface
from server.metrology.rigid import apply, inverse
from server.metrology.scan import Scan
from server.metrology.topology import topology_of
from tests.metrology.impression.dentures import block, surface_of
from tests.metrology.registration.landscapes import frame

T = frame(5)


def sheet(half_mm: tuple[float, float], height_mm: float = -3.0) -> Surface:
    """A flat sheet that looks up, at the height of the block's underside, in a frame of its own."""
    steps = [np.arange(-h, h + 0.01, 0.5) for h in half_mm]
    x, y = np.meshgrid(*steps, indexing="ij")
    n, m = x.shape
    number = np.arange(n * m).reshape(n, m)
    a, b, c, d = number[:-1, :-1], number[1:, :-1], number[1:, 1:], number[:-1, 1:]
    faces = np.concatenate([np.stack([a, b, c], -1).reshape(-1, 3), np.stack([a, c, d], -1).reshape(-1, 3)])
    points = np.stack([x, y, np.full_like(x, height_mm)], axis=-1).reshape(-1, 3)
    return surface_of(Scan(apply(T, points), faces.astype(np.int32)))


def test_the_underside_lies_on_the_sheet_and_the_top_is_away() -> None:
    made, is_under = block()
    topology = topology_of(made)
    known = known_by(topology, (Lain(sheet((20.0, 15.0)), T),))
    is_top = topology.normals[:, 2] > 0.6
    assert np.array_equal(known > 0.0, is_under)
    assert (known[is_top] == -1.0).all()
    assert (known[np.abs(topology.normals[:, 2]) < 0.3] == 0.0).all()  # walls face across


@pytest.mark.parametrize("off_mm", [-ON_MM - 0.05, ON_MM + 0.05, 0.5 * (ON_MM + OFF_MM)])
def test_off_the_sheet_nothing_is_said_of_the_underside(off_mm: float) -> None:
    made, is_under = block()
    known = known_by(topology_of(made), (Lain(sheet((20.0, 15.0), -3.0 + off_mm), T),))
    assert (known[is_under] == 0.0).all()


def test_beyond_the_border_of_the_sheet_nothing_is_said() -> None:
    made, _ = block()
    centres = made.vertices[made.faces].mean(axis=1)
    known = known_by(topology_of(made), (Lain(sheet((5.0, 5.0)), T),))
    assert (known[np.abs(centres[:, 0]) > 6.0] == 0.0).all()
    assert (known[np.abs(centres[:, :2]).max(axis=1) < 4.0] != 0.0).all()


def test_what_lies_on_one_scan_lies_on_tissue_whatever_the_other_says() -> None:
    made, is_under = block()
    near, far = sheet((20.0, 15.0)), sheet((20.0, 15.0), -8.0)
    known = known_by(topology_of(made), (Lain(far, T), Lain(near, T)))
    assert np.array_equal(known > 0.0, is_under)


def test_without_a_scan_nothing_is_known() -> None:
    made, _ = block()
    assert not known_by(topology_of(made), ()).any()


def test_only_how_the_two_lie_on_each_other_counts() -> None:
    made, _ = block()
    here = known_by(topology_of(made), (Lain(sheet((20.0, 15.0)), T),))
    moved = Scan(apply(frame(9), made.vertices), made.faces)
    there = known_by(topology_of(moved), (Lain(sheet((20.0, 15.0)), T @ inverse(frame(9))),))
    assert np.array_equal(here, there)
