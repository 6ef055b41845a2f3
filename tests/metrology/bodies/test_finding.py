from __future__ import annotations

import numpy as np
import pytest
from numpy.typing import NDArray

from seed_data.phantoms.reference_mesh import reference_mesh
from server.metrology.bodies.candidates import Start
from server.metrology.bodies.finding import FoundBody, find_bodies
from server.metrology.rigid import angle_deg, apply, inverse, small_motion
from server.metrology.scan import Scan
from tests.metrology.bodies.scenes import (
    CONE,
    KINDS,
    SHORT,
    STEPPED,
    Floats,
    reference,
    scene,
    surface_of,
    without,
)

CATALOGUE = [reference(kind) for kind in KINDS.values()]
ROW = [(STEPPED, (0.0, 0.0), 10.0), (CONE, (0.5, 12.0), -25.0), (SHORT, (-0.5, 23.0), 35.0)]


def at(found: list[FoundBody], T: Floats) -> FoundBody:
    return min(found, key=lambda body: float(np.linalg.norm(body.seat_mm - T[:3, 3])))


@pytest.fixture(scope="module")
def exact() -> tuple[list[FoundBody], tuple[tuple[str, Floats], ...]]:
    seen = scene(ROW)
    return find_bodies(seen.surface, CATALOGUE, 3), seen.poses


def test_every_body_is_found_with_its_kind_and_none_is_invented(
    exact: tuple[list[FoundBody], tuple[tuple[str, Floats], ...]],
) -> None:
    found, poses = exact
    assert len(found) == len(poses)
    assert [at(found, T).body for _, T in poses] == [kind for kind, _ in poses]


def test_an_exact_surface_gives_the_exact_pose(
    exact: tuple[list[FoundBody], tuple[tuple[str, Floats], ...]],
) -> None:
    found, poses = exact
    for _, T in poses:
        body = at(found, T)
        assert np.linalg.norm(body.seat_mm - T[:3, 3]) < 0.001
        assert angle_deg(inverse(T) @ body.T_scan_body) < 0.03
        assert np.linalg.det(body.T_scan_body[:3, :3]) == pytest.approx(1.0, abs=1e-9)
        assert body.is_clock_sure


def test_scatter_is_recovered_and_the_truth_lies_within_the_stated_uncertainty() -> None:
    seen = scene(ROW, sigma_mm=0.015, seed=5)
    found = find_bodies(seen.surface, CATALOGUE, 3)
    assert len(found) == 3
    for _, T in seen.poses:
        body = at(found, T)
        assert body.fit.rms_mm == pytest.approx(0.015, rel=0.15)
        assert np.linalg.norm(body.seat_mm - T[:3, 3]) < 1.5 * body.trust.u95_position_mm
        assert body.trust.u95_position_mm < 0.015


def test_a_body_caught_on_one_side_is_found_and_its_missing_eighths_named() -> None:
    seen = scene([(STEPPED, (0.0, 0.0), 0.0), (STEPPED, (0.0, 12.0), 0.0)], sigma_mm=0.010)
    T = seen.poses[0][1]
    q = apply(inverse(T), seen.surface.points)
    gone = (np.hypot(q[:, 0], q[:, 1]) < 2.8) & (q[:, 2] > 0.05) & (q[:, 1] < -0.2)
    found = find_bodies(without(seen.surface, gone), CATALOGUE, 2)
    body = at(found, T)
    assert len(found) == 2
    assert np.linalg.norm(body.seat_mm - T[:3, 3]) < 0.05
    assert body.coverage.ratio == pytest.approx(0.55, abs=0.1)
    assert (body.coverage.eighths[:4] > 0.85).all()
    assert (body.coverage.eighths[5:7] < 0.1).all()
    whole = at(found, seen.poses[1][1])
    assert whole.coverage.ratio > 0.97
    assert body.trust.u95_position_mm > 1.2 * whole.trust.u95_position_mm


def test_without_the_flat_the_turn_is_not_claimed() -> None:
    seen = scene([(CONE, (0.0, 0.0), 0.0)])
    T = seen.poses[0][1]
    q = apply(inverse(T), seen.surface.points)
    gone = (np.hypot(q[:, 0], q[:, 1]) < 2.6) & (q[:, 2] > 3.2) & (q[:, 0] > -0.2)
    (body,) = find_bodies(without(seen.surface, gone), CATALOGUE, 1)
    assert np.linalg.norm(body.seat_mm - T[:3, 3]) < 0.05
    assert not body.is_clock_sure


def _hardly_caught(T: Floats, points: Floats) -> NDArray[np.bool_]:
    """All but a strip up one side and over part of the top."""
    q = apply(inverse(T), points)
    strip = (q[:, 0] > 1.2) & (np.abs(q[:, 1]) < 1.3)
    return np.asarray((np.hypot(q[:, 0], q[:, 1]) < 3.4) & (q[:, 2] > 0.05) & ~strip)


def test_a_body_too_little_caught_to_be_found_is_fitted_from_where_a_hand_put_it() -> None:
    seen = scene([(STEPPED, (0.0, 0.0), 0.0), (STEPPED, (0.0, 12.0), 0.0)], sigma_mm=0.010)
    T = seen.poses[0][1]
    surface = without(seen.surface, _hardly_caught(T, seen.surface.points))
    assert len(find_bodies(surface, CATALOGUE, 2)) == 1
    said = T @ small_motion(np.array([0.05, -0.08, 0.1, 0.3, -0.4, 0.3]))
    kind = next(k for k, body in enumerate(CATALOGUE) if body.id == STEPPED.id)
    whole, by_hand = find_bodies(surface, CATALOGUE, 2, [Start(kind, said)])
    assert whole.start is None
    assert by_hand.start == 0
    assert np.linalg.norm(by_hand.seat_mm - T[:3, 3]) < max(0.08, 1.5 * by_hand.trust.u95_position_mm)
    assert by_hand.trust.u95_position_mm > 2.0 * whole.trust.u95_position_mm


def test_a_hand_on_a_body_that_is_found_or_on_none_changes_nothing() -> None:
    seen = scene([(STEPPED, (0.0, 0.0), 0.0)])
    T = seen.poses[0][1]
    kind = next(k for k, body in enumerate(CATALOGUE) if body.id == STEPPED.id)
    aside = T.copy()
    aside[1, 3] += 12.0
    alone = find_bodies(seen.surface, CATALOGUE, 1)
    both = find_bodies(seen.surface, CATALOGUE, 1, [Start(kind, T), Start(kind, aside)])
    assert [body.start for body in both] == [None]
    assert np.array_equal(both[0].T_scan_body, alone[0].T_scan_body)


def test_bare_tissue_has_no_body() -> None:
    assert find_bodies(scene([]).surface, CATALOGUE, 4) == []


def test_more_bodies_than_expected_are_found_too() -> None:
    seen = scene([(SHORT, (0.0, 9.0 * k), 0.0) for k in range(4)])
    assert len(find_bodies(seen.surface, CATALOGUE, 1)) == 4


def test_half_buried_bodies_count_only_what_stands_out() -> None:
    seen = scene([(CONE, (5.0, 0.0), -20.0)])
    (body,) = find_bodies(seen.surface, CATALOGUE, 1)
    assert body.coverage.ratio > 0.95
    assert body.coverage.beneath_ratio >= 0.0


def test_neighbours_without_tissue_are_both_found() -> None:
    """Two closed meshes side by side, as implant positions come: the seat's disc of one, which faces away, lies in the
    ring about the other's seat where tissue would be."""
    mesh = reference_mesh(SHORT)
    poses = [rigid_at(0.0), rigid_at(5.0)]
    points = np.concatenate([apply(T, mesh.vertices) for T in poses])
    faces = np.concatenate([mesh.faces, mesh.faces + len(mesh.vertices)]).astype(np.int32)
    found = find_bodies(surface_of(Scan(points, faces)), CATALOGUE, 2)
    assert len(found) == 2
    for T in poses:
        assert np.linalg.norm(at(found, T).seat_mm - T[:3, 3]) < 0.005


def rigid_at(x_mm: float) -> Floats:
    T = np.eye(4)
    T[0, 3] = x_mm
    return T
