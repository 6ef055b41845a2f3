from __future__ import annotations

import numpy as np
import pytest

from server.metrology.likeness.outline import outline_of
from server.metrology.topology import topology_of
from tests.metrology.likeness.arches import along_the_bow, band, post, slab
from tests.metrology.shapes import box, cap, joined, moved, sphere


def test_a_half_ball_spans_half_its_area_and_faces_up_with_half_of_it() -> None:
    seen = outline_of(topology_of(moved(cap(25.0, 25.0))))
    assert (seen.n_parts, seen.n_copies) == (1, 1)
    # its border runs zigzag along the facets, so that the fan over it is a little larger than the disc
    assert 0.5 < seen.opening_ratio < 0.58
    assert seen.facing_ratio == pytest.approx(0.5, abs=0.01)
    assert (seen.length_mm, seen.breadth_mm) == (pytest.approx(49.0, abs=1.0), pytest.approx(49.0, abs=1.0))


def test_a_closed_body_has_no_opening_and_faces_nowhere() -> None:
    seen = outline_of(topology_of(slab()))
    assert seen.opening_ratio == 0.0
    assert seen.facing_ratio == pytest.approx(0.0, abs=1e-9)


def test_the_base_of_a_box_is_its_largest_side() -> None:
    assert outline_of(topology_of(box(50.0, 40.0, 16.0))).base_ratio == pytest.approx(
        2000.0 / 6880.0, abs=0.001
    )
    assert outline_of(topology_of(sphere())).base_ratio < 0.02


def test_copies_of_one_thing_are_counted_and_specks_are_not() -> None:
    bodies = along_the_bow(5, post())
    seen = outline_of(topology_of(joined(*bodies, sphere(0.5, 2))))
    assert (seen.n_parts, seen.n_copies) == (5, 5)
    assert seen.part_span_mm == pytest.approx(np.sqrt(16.0 + 16.0 + 49.0), abs=0.1)
    assert outline_of(topology_of(joined(sphere(10.0), sphere(7.0)))).n_copies == 1


def test_a_band_is_long_and_not_broad() -> None:
    seen = outline_of(topology_of(moved(band())))
    assert seen.length_mm == pytest.approx(2.0 * 30.0 * np.sin(0.8), abs=1.0)
    assert seen.breadth_mm == pytest.approx(20.0, abs=1.0)
