from __future__ import annotations

import numpy as np
import pytest
import trimesh

from server.metrology.bodies.cells import Cells
from server.metrology.bodies.placing import is_clock_sure
from server.metrology.bodies.reference import ReferenceBody, UnusableReference, reference_body
from server.metrology.rigid import apply, small_motion
from server.metrology.scan import Scan
from tests.metrology.bodies.lathe import groove, hexagon, one_flat, turned, two_flats

STRAIGHT = [(2.0, 0.0), (2.0, 6.0)]
STEPPED = [(2.6, 0.0), (2.6, 0.8), (1.7, 1.4), (1.7, 4.6), (1.2, 5.2)]
SIDE_AND_TOP_MM2 = 2.0 * np.pi * 2.0 * 6.0 + np.pi * 2.0**2
"""Of the straight body; its 180 chords take 0.005 % off."""


def moved(mesh: Scan, *motion: float) -> Scan:
    return Scan(apply(small_motion(np.array(motion)), mesh.vertices), mesh.faces)


def share_of_turns(body: ReferenceBody) -> np.ndarray:
    """Directions of the samples of the index feature, degrees from +x, 0 to 180."""
    at = body.points[body.is_index]
    return np.abs(np.degrees(np.arctan2(at[:, 1], at[:, 0])))


@pytest.mark.parametrize("is_closed", [True, False])
def test_a_turned_body_is_seen_from_the_side_and_above_whether_closed_at_the_seat_or_not(
    is_closed: bool,
) -> None:
    body = reference_body("straight", turned(STRAIGHT, is_closed=is_closed))
    assert body.area_mm2 == pytest.approx(SIDE_AND_TOP_MM2, rel=0.002)
    assert body.height_mm == pytest.approx(6.0, abs=0.02)
    assert body.reach_mm == pytest.approx(2.0, abs=0.001)
    assert body.radii_mm == pytest.approx((2.0,), abs=0.01)
    assert not body.is_index.any()
    assert body.is_top.sum() * body.area_per_sample_mm2 == pytest.approx(np.pi * 4.0, rel=0.01)


def test_winding_does_not_matter() -> None:
    mesh = turned(STEPPED, shape=one_flat)
    body = reference_body("a", mesh)
    back = reference_body("b", Scan(mesh.vertices, np.ascontiguousarray(mesh.faces[:, ::-1])))
    assert back.area_mm2 == pytest.approx(body.area_mm2, rel=0.002)
    for one in (body, back):
        a, b, c = (one.outer.vertices[one.outer.faces[:, k]] for k in range(3))
        outward = np.einsum("ij,ij->i", one.facet_normals, (a + b + c) / 3.0 - (0.0, 0.0, 2.0))
        assert (outward > 0.0).all()
        assert (np.einsum("ij,ij->i", one.normals, one.points - (0.0, 0.0, 2.0)) > 0.0).all()


@pytest.mark.parametrize("is_closed", [True, False])
@pytest.mark.parametrize("floor", [0.0, 1.0])
def test_the_wall_of_a_channel_is_not_what_a_scanner_sees(floor: float, is_closed: bool) -> None:
    body = reference_body("hollow", turned(STRAIGHT, channel=(0.9, floor), is_closed=is_closed))
    r = np.hypot(body.points[:, 0], body.points[:, 1])
    in_channel = (r < 0.95) & (np.abs(body.normals[:, 2]) < 0.5)
    assert (body.points[in_channel, 2] > 6.0 - 2.0 * 0.9).all()  # no deeper than it is wide
    outside = ~in_channel
    exact = SIDE_AND_TOP_MM2 - np.pi * 0.9**2
    assert outside.sum() * body.area_per_sample_mm2 == pytest.approx(exact, rel=0.005)
    assert body.radii_mm == pytest.approx((2.0,), abs=0.01)
    assert (body.normals[outside, 2] > -0.01).all()


@pytest.mark.parametrize("turn_over", [False, True])
def test_a_library_solid_of_long_slivers_with_a_hole_right_through(turn_over: bool) -> None:
    solid = trimesh.creation.annulus(r_min=0.9, r_max=2.0, height=5.0, sections=128)
    solid.apply_translation((0.0, 0.0, 2.5))
    vertices, faces = np.array(solid.vertices), np.array(solid.faces, dtype=np.int32)
    body = reference_body(
        "ring", Scan(vertices, np.ascontiguousarray(faces[:, ::-1]) if turn_over else faces)
    )
    exact = 2.0 * np.pi * 2.0 * 5.0 + np.pi * (2.0**2 - 0.9**2)
    assert body.area_mm2 == pytest.approx(exact, rel=0.01)
    assert body.radii_mm == pytest.approx((2.0,), abs=0.01)
    assert body.is_index.mean() < 0.01


def test_radii_are_those_of_the_sides() -> None:
    body = reference_body("stepped", turned(STEPPED, shape=one_flat))
    assert sorted(body.radii_mm) == pytest.approx([1.7, 2.6], abs=0.02)


def test_edges_are_known_and_open_rims_are_none() -> None:
    body = reference_body("open", turned(STRAIGHT, is_closed=False))
    assert body.creases[:, 2] == pytest.approx(6.0, abs=1e-9)
    assert np.hypot(body.creases[:, 0], body.creases[:, 1]) == pytest.approx(2.0, abs=0.001)
    gaps = np.diff(np.sort(np.arctan2(body.creases[:, 1], body.creases[:, 0])))
    assert 2.0 * gaps.max() < 0.08


def test_a_groove_is_the_index_feature() -> None:
    body = reference_body("grooved", turned(STRAIGHT, shape=groove))
    at = body.points[body.is_index]
    assert share_of_turns(body).max() < 23.0
    assert at[:, 2].min() > 1.9
    floor = np.radians(40.0) * 1.5 * 4.0  # 40 degrees of a radius of 1.5 mm, 4 mm high
    assert len(at) * body.area_per_sample_mm2 > 0.9 * floor


def test_two_flats_are_both_the_index_feature() -> None:
    body = reference_body("flats", turned(STRAIGHT, shape=two_flats))
    at = body.points[body.is_index]
    half_deg = np.degrees(np.arccos(1.6 / 2.0))
    assert np.minimum(share_of_turns(body), 180.0 - share_of_turns(body)).max() < half_deg + 4.0
    on_flats = (np.abs(np.abs(body.points[:, 0]) - 1.6) < 1e-6) & (np.abs(body.points[:, 1]) < 0.6)
    assert body.is_index[on_flats & (body.points[:, 2] < 5.9)].all()
    assert at[:, 2].min() > 2.6


def test_the_corners_of_a_hexagon_are_the_index_feature() -> None:
    body = reference_body("hexagon", turned(STRAIGHT, shape=hexagon))
    from_corner = np.abs((share_of_turns(body) % 60.0) - 30.0)
    assert body.is_index.any()
    assert from_corner.max() < 12.0


def seen_whole(body: ReferenceBody) -> Cells:
    return Cells(body.points, body.normals, np.full(len(body.points), body.area_per_sample_mm2))


def test_a_turn_is_sure_only_where_no_other_fits_as_well() -> None:
    sure = {
        shape.__name__: is_clock_sure(seen_whole(body), body, np.eye(4))
        for shape in (groove, one_flat, two_flats, hexagon)
        if (body := reference_body(shape.__name__, turned(STRAIGHT, shape=shape)))
    }
    assert sure == {"groove": True, "one_flat": True, "two_flats": False, "hexagon": False}
    plain = reference_body("plain", turned(STRAIGHT))
    assert not is_clock_sure(seen_whole(plain), plain, np.eye(4))


GOOD = turned(STEPPED, shape=one_flat)
BAD = {
    "in metres": (Scan(GOOD.vertices / 1000.0, GOOD.faces), "unit"),
    "in inches": (Scan(GOOD.vertices / 25.4, GOOD.faces), "unit"),
    "ten times too large": (Scan(GOOD.vertices * 10.0, GOOD.faces), "unit"),
    "in micrometres": (Scan(GOOD.vertices * 1000.0, GOOD.faces), "unit"),
    "lying": (moved(GOOD, 0.0, np.pi / 2.0, 0.0, 0.0, 0.0, 0.0), "axis"),
    "standing on its head": (moved(GOOD, np.pi, 0.0, 0.0, 0.0, 0.0, 0.0), "axis"),
    "leaning by 6 degrees": (moved(GOOD, 0.1, 0.0, 0.0, 0.0, 0.0, 0.0), "axis"),
    "half a millimetre off its axis": (moved(GOOD, 0.0, 0.0, 0.0, 0.5, 0.0, 0.0), "axis"),
    "far above its seat": (moved(GOOD, 0.0, 0.0, 0.0, 0.0, 0.0, 5.0), "seat"),
    "far below its seat": (moved(GOOD, 0.0, 0.0, 0.0, 0.0, 0.0, -9.0), "seat"),
    "without facets": (Scan(np.zeros((0, 3)), np.zeros((0, 3), dtype=np.int32)), "surface"),
    "one facet": (
        Scan(np.array([[0, 0, 1.0], [5, 0, 1], [0, 5, 1]]), np.array([[0, 1, 2]], dtype=np.int32)),
        "sides",
    ),
}


@pytest.mark.parametrize("name", BAD)
def test_what_cannot_be_searched_for_is_refused_in_words(name: str) -> None:
    mesh, word = BAD[name]
    with pytest.raises(UnusableReference, match=word) as refusal:
        reference_body("rb-x", mesh)
    assert "rb-x" in str(refusal.value)


def test_rounding_reaches_farther_from_sharper_edges() -> None:
    """An arc of radius R that touches both faces of an edge ends at R tan(turn / 2): square 0.2 mm, at 60 degrees
    0.1155 mm; at 30 degrees 0.0536 mm, but no edge is taken to be blurred by less than 0.1 mm."""
    square = reference_body("square", turned([(2.0, 0.0), (2.0, 6.0)], is_closed=False))
    assert square.crease_reach_mm == pytest.approx(0.2, abs=1e-3)
    body = reference_body(
        "bevelled", turned([(2.0, 0.0), (2.0, 4.0), (2.0 - 0.75**0.5, 4.5)], is_closed=False)
    )
    assert len(body.crease_reach_mm) == len(body.creases)
    low = body.creases[:, 2] < 4.2
    assert body.crease_reach_mm[low] == pytest.approx(0.2 * np.tan(np.radians(30.0)), abs=1e-3)
    assert body.crease_reach_mm[~low] == pytest.approx(0.1, abs=1e-3)
