"""The impression side of dentures whose sides are known exactly."""

from __future__ import annotations

from contextlib import suppress

import numpy as np
import pytest
import trimesh

from server.metrology.impression.positive import positive_of
from server.metrology.impression.sides import sides_of
from server.metrology.rigid import apply
from server.metrology.scan import Scan
from server.metrology.topology import topology_of
from server.records.teeth import Arch
from tests.metrology.impression.dentures import block, overlap, phantom_denture, surface_of
from tests.metrology.registration.landscapes import frame


@pytest.mark.parametrize("arch", list(Arch))
def test_the_impression_side_of_a_phantom_alone(arch: Arch) -> None:
    """Design §5 asks for an overlap of 0.97 without a jaw scan."""
    known = phantom_denture(arch)
    sides = sides_of(known.surface.topology, known.surface.tree)
    assert overlap(sides.is_impression, known.is_impression, known.surface.topology.areas_mm2) > 0.97
    assert sides.is_sure
    assert sides.opens_along @ np.array([0.0, 0.0, -1.0]) > 0.95  # it lies on a jaw that looks along +z


def test_the_underside_of_a_block_exactly() -> None:
    made, is_under = block()
    moved = Scan(apply(frame(7), made.vertices), made.faces)
    surface = surface_of(moved)
    sides = sides_of(surface.topology, surface.tree)
    assert overlap(sides.is_impression, is_under, surface.topology.areas_mm2) == pytest.approx(1.0, abs=0.01)
    assert sides.impression_mm2 == pytest.approx(600.0, rel=0.01)
    assert sides.line_mm == pytest.approx(100.0, rel=0.03)
    assert sides.opens_along @ frame(7)[:3, :3] @ np.array([0.0, 0.0, -1.0]) > 0.999


def test_what_is_known_of_the_tissue_decides_which_side_it_is() -> None:
    """The larger side is the impression side where it is known to lie on the tissue."""
    made, is_under = block()
    surface = surface_of(made)
    sides = sides_of(surface.topology, surface.tree, np.where(is_under, -1.0, 1.0))
    assert overlap(sides.is_impression, ~is_under, surface.topology.areas_mm2) > 0.99


def test_a_denture_with_an_opening_keeps_its_sides() -> None:
    known = phantom_denture(Arch.LOWER)
    scan = known.surface.topology.scan
    centres = scan.vertices[scan.faces].mean(axis=1)
    at = centres[known.is_impression][0]
    keep = np.linalg.norm(centres - at, axis=1) > 6.0
    opened = surface_of(Scan(scan.vertices, scan.faces[keep]))
    sides = sides_of(opened.topology, opened.tree)
    assert overlap(sides.is_impression, known.is_impression[keep], opened.topology.areas_mm2) > 0.97


def test_a_ball_has_no_border_between_two_sides() -> None:
    ball = trimesh.creation.icosphere(subdivisions=5, radius=20.0)
    surface = surface_of(Scan(np.array(ball.vertices), np.array(ball.faces, dtype=np.int32)))
    with suppress(ValueError):  # no two sides at all: as good
        assert not sides_of(surface.topology, surface.tree).is_sure


def test_the_positive_is_the_counterpart_wound_the_right_way() -> None:
    made, is_under = block()
    positive = positive_of(topology_of(made), is_under)
    normals = topology_of(positive.scan).normals
    assert np.allclose(
        normals, [0.0, 0.0, 1.0]
    )  # the block's underside looks down, the tissue's would look up
    assert topology_of(positive.scan).area_mm2 == pytest.approx(600.0)
    assert positive.scan.n_vertices == len(np.unique(made.faces[is_under]))
    assert np.array_equal(positive.facets, np.flatnonzero(is_under))


def test_the_positive_of_nothing_is_refused() -> None:
    made, is_under = block()
    with pytest.raises(ValueError, match="impression"):
        positive_of(topology_of(made), np.zeros_like(is_under))
