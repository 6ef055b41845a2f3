"""The base of a model of a jaw, put under a jaw whose shape is known."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.typing import NDArray

from server.metrology.arch import arch_frame, occlusal_direction
from server.metrology.base import away_from_base, base_facets
from server.metrology.rigid import turn
from server.metrology.scan import Scan
from server.metrology.topology import topology_of
from tests.metrology.shapes import on_a_base, sphere
from tests.metrology.test_arch import FRAMES, jaw, moved

Floats = NDArray[np.float64]
UP = np.array([0.0, 0.0, 1.0])


def way_up(scan: Scan) -> Floats | None:
    return away_from_base(topology_of(scan))


@pytest.mark.parametrize("T", FRAMES)
@pytest.mark.parametrize("palate", [False, True])
def test_a_model_on_a_base_bites_away_from_it(T: Floats, palate: bool) -> None:
    model = moved(on_a_base(jaw(palate=palate), UP, 8.0), T)
    topology = topology_of(model)
    assert occlusal_direction(topology.normals, topology.areas_mm2) is None
    occlusal = way_up(model)
    assert occlusal is not None
    up, front = turn(T, np.array([[0.0, 0, 1], [0, 1, 0]]))
    assert occlusal @ up > np.cos(np.radians(1))
    frame = arch_frame(model.vertices, occlusal)
    assert frame is not None
    assert frame.is_front_sure
    assert frame.front @ front > np.cos(np.radians(10))


def test_what_stands_on_no_base_says_nothing() -> None:
    assert way_up(on_a_base(jaw(palate=False), UP, 4.0, is_flat=False)) is None
    assert way_up(sphere(20.0, 5)) is None


@pytest.mark.parametrize("T", FRAMES)
def test_floor_and_wall_are_told_from_the_jaw_to_the_facet(T: Floats) -> None:
    scan = jaw(palate=False)
    told = base_facets(topology_of(moved(on_a_base(scan, UP, 8.0), T)))
    assert told is not None
    assert not told[: len(scan.faces)].any()
    assert told[len(scan.faces) :].all()


def test_an_open_scan_has_no_base() -> None:
    assert base_facets(topology_of(jaw(palate=True))) is None
