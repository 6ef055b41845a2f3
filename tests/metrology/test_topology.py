"""Checked against closed forms: icospheres, boxes, the Möbius strip; and the counts that were planted."""

from __future__ import annotations

import numpy as np
import pytest
import trimesh

from server.metrology.scan import Scan
from server.metrology.topology import CROWDED, topology_of
from tests.metrology.shapes import box, cap, joined, kept, scan_of, sphere, turned


@pytest.mark.parametrize(
    ("level", "volume_ratio", "area_ratio"),
    [
        (0, 0.605461, 0.761918),
        (1, 0.873453, 0.928345),
        (2, 0.966161, 0.981178),
        (3, 0.991394, 0.995235),
        (4, 0.997839, 0.998805),
    ],
)
def test_icospheres(level: int, volume_ratio: float, area_ratio: float) -> None:
    """Ratios to the sphere of an icosahedron subdivided that often: arithmetic, reproducible without a source."""
    topology = topology_of(sphere(1.0, level))
    assert topology.shell_volumes_mm3.sum() / (4 * np.pi / 3) == pytest.approx(volume_ratio, abs=1e-6)
    assert topology.area_mm2 / (4 * np.pi) == pytest.approx(area_ratio, abs=1e-6)
    assert topology.euler_characteristic == 2
    assert len(topology.border_half_edges) == 0


def test_tetrahedron_and_box_and_their_reverse() -> None:
    corners = np.array([(0, 0, 0), (1, 0, 0), (0, 1, 0), (0, 0, 1)], float)
    tetrahedron = Scan(corners, np.array([(0, 2, 1), (0, 1, 3), (0, 3, 2), (1, 2, 3)], np.int32))
    assert topology_of(tetrahedron).shell_volumes_mm3.sum() == pytest.approx(1 / 6, abs=1e-12)
    assert topology_of(box(2, 3, 5)).shell_volumes_mm3.sum() == pytest.approx(30.0, abs=1e-12)
    assert topology_of(turned(box(2, 3, 5))).shell_volumes_mm3.sum() == pytest.approx(-30.0, abs=1e-12)


def test_shells_are_numbered_from_the_largest_area_down() -> None:
    small = box(1, 1, 1)
    far = Scan(sphere(10.0, 3).vertices + 100.0, sphere(10.0, 3).faces)
    topology = topology_of(joined(small, far))
    assert len(topology.shell_areas_mm2) == 2
    assert topology.shell_areas_mm2[1] == pytest.approx(6.0)
    assert topology.shell_border_edges.tolist() == [0, 0]


def test_two_pieces_that_touch_in_a_point_are_one_shell() -> None:
    corners = np.array([(0, 0, 0), (1, 0, 0), (0, 1, 0), (-1, 0, 0), (0, -1, 0)], float)
    topology = topology_of(Scan(corners, np.array([(0, 1, 2), (0, 3, 4)], np.int32)))
    assert topology.face_shell.tolist() == [0, 0]
    assert len(topology.border_half_edges) == 6


def test_planted_faults_are_counted() -> None:
    good = sphere(5.0, 3)
    fin = np.array([[good.faces[0, 0], good.faces[0, 1], good.n_vertices]], np.int32)
    vertices = np.vstack([good.vertices, [9.0, 9.0, 9.0]])
    again = good.faces[[7]][:, (1, 2, 0)]
    topology = topology_of(Scan(vertices, np.vstack([good.faces, fin, again])))
    assert topology.n_crowded_edges == 4  # one by the fin, three by the facet that is there twice
    assert int(topology.is_repeated.sum()) == 1
    assert int((topology.twin == CROWDED).sum()) == 12


def test_a_sliver_is_told_from_a_small_facet() -> None:
    corners = np.array([(0, 0, 0), (1, 0, 0), (0.5, 1e-6, 0), (0.5, 0.01, 0)], float)
    topology = topology_of(Scan(corners, np.array([(0, 1, 2), (0, 1, 3)], np.int32)))
    assert topology.is_sliver.tolist() == [True, False]


def test_turned_facets_run_against_their_neighbours() -> None:
    good = sphere(5.0, 3)
    which = np.zeros(good.n_faces, bool)
    which[17] = True
    topology = topology_of(turned(good, which))
    assert int(topology.against.sum()) == 6


def test_the_counts_agree_with_a_general_library_on_an_open_surface() -> None:
    """Oracle: trimesh's edges that occur once, its area and its Euler number."""
    scan = cap(10.0, 7.0, 4)
    other = trimesh.Trimesh(scan.vertices, scan.faces, process=False)
    topology = topology_of(scan)
    assert len(topology.border_half_edges) == len(
        trimesh.grouping.group_rows(other.edges_sorted, require_count=1)
    )
    assert topology.area_mm2 == pytest.approx(other.area, rel=1e-12)
    assert topology.euler_characteristic == other.euler_number
    assert np.allclose(topology.normals, other.face_normals)


def test_a_hostile_fan_stays_linear() -> None:
    """200 000 facets around one edge: every facet's edge bucket is the same."""
    n = 200_000
    angle = np.linspace(0, 2 * np.pi, n, endpoint=False)
    rim = np.stack([np.cos(angle), np.sin(angle), np.zeros(n)], axis=1)
    vertices = np.vstack([[0, 0, 0], [0, 0, 1], rim])
    faces = np.stack([np.zeros(n), np.ones(n), np.arange(2, n + 2)], axis=1).astype(np.int32)
    topology = topology_of(Scan(vertices, faces))
    assert topology.n_crowded_edges == 1


def test_lone_edges_and_areas() -> None:
    flat = scan_of(np.array([(0, 0, 0), (3, 0, 0), (0, 4, 0)], float), np.array([(0, 1, 2)]))
    topology = topology_of(flat)
    assert sorted(topology.edge_lengths_mm.tolist()) == [3.0, 4.0, 5.0]
    assert topology.vertex_areas_mm2.tolist() == [2.0, 2.0, 2.0]
    assert np.allclose(topology.vertex_normals, [0, 0, 1])
    assert kept(flat, np.array([True])).n_faces == 1


@pytest.mark.parametrize("seed", range(30))
def test_repeated_facets_as_a_slow_twin_finds_them(seed: int) -> None:
    """Few vertices, many facets: nearly every edge is crowded, and corners come in any order and direction."""
    rng = np.random.default_rng(seed)
    faces = np.array([rng.permutation(7)[:3] for _ in range(int(rng.integers(1, 40)))])
    seen: set[frozenset[int]] = set()
    expected = []
    for face in faces.tolist():
        expected.append(frozenset(face) in seen)
        seen.add(frozenset(face))
    assert topology_of(scan_of(rng.normal(size=(7, 3)), faces)).is_repeated.tolist() == expected
