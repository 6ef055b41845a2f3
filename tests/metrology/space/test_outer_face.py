"""Faces of a denture on profiles that are known: a row of edges in front, two rows of cusps behind."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.typing import NDArray

from server.metrology.bvh import BoxTree
from server.metrology.rigid import apply, small_motion, turn
from server.metrology.scan import Scan
from server.metrology.space.occlusal_plane import occlusal_of_teeth
from server.metrology.space.outer_face import Face, FacePlace, across_arch, face_at

Floats = NDArray[np.float64]
UP, OUT = np.array([0.0, 0.0, 1.0]), np.array([0.0, 1.0, 0.0])


def edges(_x: Floats, y: Floats) -> Floats:
    """One row, its edge at y = 0, steep outside and sloping inside."""
    return np.where(y > 0.0, -((y / 1.5) ** 2), -((y / 4.0) ** 2) * 3.0)


def cusps(_x: Floats, y: Floats) -> Floats:
    """Two rows, the outer at y = 2.5 and the inner at y = -2.5, with a groove 1.5 mm deep between."""
    return np.maximum(-0.1 * (y - 2.5) ** 2, -0.1 * (y + 2.5) ** 2) * 2.4 - np.maximum(np.abs(y) - 4.0, 0.0)


def row(profile, step_mm: float = 0.3) -> Scan:  # type: ignore[no-untyped-def]
    x, y = np.meshgrid(np.arange(-9.0, 9.0, step_mm), np.arange(-7.0, 7.0, step_mm), indexing="ij")
    points = np.stack([x, y, profile(x, y)], -1).reshape(-1, 3)
    number = np.arange(x.size).reshape(x.shape)
    a, b, c, d = number[:-1, :-1], number[1:, :-1], number[1:, 1:], number[:-1, 1:]
    faces = np.concatenate([np.stack(t, -1).reshape(-1, 3) for t in ((a, b, c), (a, c, d))])
    return Scan(points, faces.astype(np.int32))


def told(profile, y: float) -> FacePlace:  # type: ignore[no-untyped-def]
    place = np.array([0.0, y, float(profile(np.zeros(1), np.array([y]))[0])])
    found = face_at(BoxTree(row(profile)), place, UP, OUT)
    assert found is not None
    return found


@pytest.mark.parametrize(("y", "face"), [(-3.0, Face.INNER), (-1.0, Face.INNER), (1.5, Face.OUTER)])
def test_in_front_there_is_an_inner_and_an_outer_face(y: float, face: Face) -> None:
    found = told(edges, y)
    assert found.face is face
    height = float(edges(np.zeros(1), np.array([y]))[0])
    assert found.crest_mm == pytest.approx(np.hypot(y, height), abs=0.25)
    assert abs(found.crest_mm - np.hypot(y, height)) <= found.u95_mm
    assert found.inside_mm == pytest.approx(-y, abs=0.25)


@pytest.mark.parametrize(
    ("y", "face"), [(0.0, Face.CHEWING), (-1.5, Face.CHEWING), (-3.6, Face.INNER), (3.9, Face.OUTER)]
)
def test_behind_the_chewing_face_lies_between_the_cusps(y: float, face: Face) -> None:
    found = told(cusps, y)
    assert found.face is face
    height = float(cusps(np.zeros(1), np.array([y]))[0])
    assert found.crest_mm == pytest.approx(np.hypot(y - 2.5, height), abs=0.3)


def test_nothing_hangs_on_the_frame() -> None:
    T = small_motion(np.array([0.4, 1.9, -0.7, 20.0, 5.0, -60.0]))
    scan = row(edges)
    moved = BoxTree(Scan(apply(T, scan.vertices), scan.faces))
    place = apply(T, np.array([[0.0, -2.0, -0.75]]))[0]
    up, out = turn(T, np.stack([UP, OUT]))
    found = face_at(moved, place, up, out)
    assert found is not None
    assert found.crest_mm == pytest.approx(told(edges, -2.0).crest_mm, abs=0.05)
    assert found.crest_at == pytest.approx(apply(T, np.zeros((1, 3)))[0], abs=0.3)


def test_beside_the_denture_there_is_no_face() -> None:
    assert face_at(BoxTree(row(edges)), np.array([80.0, 0.0, 0.0]), UP, OUT) is None


def test_outward_is_square_to_the_arch() -> None:
    """On front = 10 - 0.1 x² at x = 5 the slope is -1: outward is half way between side and front."""
    frame = (np.zeros(3), np.array([1.0, 0.0, 0.0]), OUT)
    out = across_arch(np.array([5.0, 7.5, 3.0]), frame, (10.0, 0.0, -0.1))
    assert out == pytest.approx([np.sqrt(0.5), np.sqrt(0.5), 0.0], abs=0.01)


def arch() -> Scan:
    """A bow of edges, y = 40 - 0.07 x², and behind the last tooth a base 11 mm lower."""
    x, y = np.meshgrid(np.arange(-28.0, 28.0, 0.4), np.arange(-20.0, 48.0, 0.4), indexing="ij")
    off = y - (40.0 - 0.07 * x * x)
    z = np.maximum(-0.5 * off**2, -11.0) * (np.abs(off) < 6.0) - 11.0 * (np.abs(off) >= 6.0)
    z = np.where(y < 12.0, -11.0 - 0.01 * off**2, z)
    points = np.stack([x, y, z], -1).reshape(-1, 3)
    number = np.arange(x.size).reshape(x.shape)
    a, b, c, d = number[:-1, :-1], number[1:, :-1], number[1:, 1:], number[:-1, 1:]
    faces = np.concatenate([np.stack(t, -1).reshape(-1, 3) for t in ((a, b, c), (a, c, d))])
    return Scan(points, faces.astype(np.int32))


@pytest.mark.parametrize("rough_deg", [0.0, 12.0, -20.0])
def test_teeth_tell_the_occlusal_direction_from_a_rough_one(rough_deg: float) -> None:
    a = np.radians(rough_deg)
    rough, front = np.array([0.0, np.sin(a), np.cos(a)]), np.array([0.0, np.cos(a), -np.sin(a)])
    frame = (np.array([0.0, 0.0, -4.0]), np.array([1.0, 0.0, 0.0]), front, rough)
    found = occlusal_of_teeth(BoxTree(arch()), frame, (37.0, 0.0, -0.07), 22.0)
    assert found is not None
    assert np.degrees(np.arccos(min(1.0, float(found @ UP)))) < 1.0
