from __future__ import annotations

import numpy as np
import pytest

from server.metrology.scan import Scan
from server.metrology.texture import scatter_of, spacing_of, spikes_of
from server.metrology.topology import topology_of
from tests.metrology.shapes import box, moved, scattered, sphere


@pytest.mark.parametrize("sigma_mm", [0.005, 0.015, 0.030])
@pytest.mark.parametrize("subdivisions", [5, 6])
def test_planted_scatter_is_recovered_within_a_tenth(sigma_mm: float, subdivisions: int) -> None:
    """Scatter along the normal was imposed equally in all three directions, so each holds sigma."""
    scatter = scatter_of(topology_of(scattered(sphere(12.0, subdivisions), sigma_mm)))
    assert scatter is not None
    assert scatter.sigma_mm == pytest.approx(sigma_mm, rel=0.10)
    assert abs(scatter.sigma_mm - sigma_mm) < scatter.u95_mm


def test_scatter_and_spacing_do_not_change_with_the_frame() -> None:
    scan = scattered(sphere(12.0, 5), 0.02)
    here, there = (scatter_of(topology_of(s)) for s in (scan, moved(scan)))
    assert here is not None
    assert there is not None
    assert there.sigma_mm == pytest.approx(here.sigma_mm, rel=1e-6)
    assert spacing_of(topology_of(moved(scan))).median_mm == pytest.approx(
        spacing_of(topology_of(scan)).median_mm
    )


def test_the_roughest_place_is_found() -> None:
    scan = scattered(sphere(20.0, 6), 0.01)
    rough = np.linalg.norm(scan.vertices - [0, 0, 20.0], axis=1) < 6.0
    noise = np.random.default_rng(8).normal(scale=0.08, size=(int(rough.sum()), 3))
    vertices = scan.vertices.copy()
    vertices[rough] += noise
    scatter = scatter_of(topology_of(Scan(vertices, scan.faces)))
    assert scatter is not None
    assert scatter.sigma_mm == pytest.approx(0.01, rel=0.15)
    assert scatter.roughest_mm == pytest.approx(0.08, rel=0.25)
    assert np.linalg.norm(np.array(scatter.roughest_at_mm) - [0, 0, 20.0]) < 6.0


def test_too_few_points_are_not_guessed_at() -> None:
    assert scatter_of(topology_of(box(2, 2, 2))) is None


def test_spacing_of_a_box_is_its_edges() -> None:
    spacing = spacing_of(topology_of(box(3, 3, 3)))
    assert spacing.n_edges == 18
    assert spacing.median_mm == pytest.approx(3.0)
    assert spacing.p95_mm == pytest.approx(3.0 * np.sqrt(2.0))


def test_planted_spikes_are_counted_and_placed() -> None:
    scan = scattered(sphere(12.0, 6), 0.01)
    vertices = scan.vertices.copy()
    chosen = [100, 2000, 5000]
    vertices[chosen] *= 1.15
    spikes = spikes_of(topology_of(Scan(vertices, scan.faces)))
    assert spikes.count == 3
    assert spikes.tallest_mm == pytest.approx(0.15 * 12.0, abs=0.1)
    assert {tuple(np.round(vertices[i], 6)) for i in chosen} == {
        tuple(np.round(p, 6)) for p in spikes.places_mm
    }


def test_edges_of_a_box_are_no_spikes() -> None:
    import trimesh

    mesh = trimesh.creation.box(extents=(6, 6, 6)).subdivide_to_size(0.6)
    mesh.merge_vertices()
    scan = Scan(np.asarray(mesh.vertices), np.asarray(mesh.faces, np.int32))
    assert spikes_of(topology_of(scan)).count == 0


def test_the_foot_and_rim_of_a_base_are_no_spikes() -> None:
    """A cap of fine facets with a ragged border on a wall and a floor of long ones, as a scan is closed to be printed."""
    cap = scattered(sphere(12.0, 6), 0.015)
    x, y, z = cap.vertices.T
    is_in = z > 7.0 + 1.2 * np.sin(9.0 * np.arctan2(y, x)) + 0.4 * np.sin(40.0 * np.arctan2(y, x))
    kept = cap.faces[is_in[cap.faces].all(axis=1)]
    edges = kept[:, [0, 1, 1, 2, 2, 0]].reshape(-1, 2)
    known = {(a, b) for a, b in edges.tolist()}
    border = [(a, b) for a, b in known if (b, a) not in known]
    rim = sorted({v for edge in border for v in edge})
    foot = {v: len(cap.vertices) + k for k, v in enumerate(rim)}
    floor = cap.vertices[rim] * [1, 1, 0] - [0, 0, 3.0]
    wall = [
        f
        for a, b in border
        for f in ((b, a, foot[a]), (b, foot[a], foot[b]), (foot[b], foot[a], foot[rim[0]]))
    ]
    faces = np.vstack([kept, [f for f in wall if len(set(f)) == 3]]).astype(np.int32)
    vertices = np.vstack([cap.vertices, floor])
    assert spikes_of(topology_of(Scan(vertices, faces))).count == 0
    vertices[np.argmax(z)] += [0.0, 0.0, 1.6]
    assert spikes_of(topology_of(Scan(vertices, faces))).count == 1
