"""Previews: nothing of the surface is lost on the way, they lie on the scan, they are small, and the same each time."""

from __future__ import annotations

import gzip

import igl
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from server.metrology.preview import thinning
from server.metrology.preview.coding import coded, rounded
from server.metrology.preview.decoding import NotAPreview, scan_of
from server.metrology.preview.thinning import DEVIATION_MM, MOST_BYTES, STEP_MM, NoPreview, preview_of
from server.metrology.scan import Scan
from tests.metrology.preview.unpacking import unpacked


def bowl(n: int, noise_mm: float = 0.0, seed: int = 1) -> Scan:
    """An open sheet of n x n points with waves on it, 50 mm across; scatter along its height."""
    x, y = np.meshgrid(np.linspace(0.0, 50.0, n), np.linspace(0.0, 50.0, n), indexing="ij")
    z = 3.0 * np.sin(0.4 * x) * np.cos(0.3 * y) + np.random.default_rng(seed).normal(0.0, noise_mm, x.shape)
    own = np.arange(n * n).reshape(n, n)
    a, b, c, d = (own[:-1, :-1], own[1:, :-1], own[1:, 1:], own[:-1, 1:])
    faces = np.concatenate([np.stack(t, axis=-1).reshape(-1, 3) for t in ((a, b, c), (a, c, d))])
    return Scan(np.stack([x, y, z], axis=-1).reshape(-1, 3), faces.astype(np.int32))


def same_facets(one: Scan, other: Scan) -> bool:
    """Whether two surfaces hold the same facets, whatever their order, each wound alike."""

    def told(scan: Scan) -> list[tuple[float, ...]]:
        corners = np.round(scan.vertices[scan.faces] / STEP_MM).astype(int)
        first = [min(range(3), key=lambda k: tuple(c[k])) for c in corners]
        return sorted(tuple(np.roll(c, -k, axis=0).ravel()) for c, k in zip(corners, first, strict=True))

    return told(one) == told(other)


def through(scan: Scan) -> tuple[Scan, Scan]:
    """A surface on the grid, and what comes out again."""
    surface = rounded(scan.vertices, scan.faces, STEP_MM)
    data = gzip.compress(coded(surface, 0.0))
    back, _ = unpacked(data)
    ours = scan_of(data)
    assert np.array_equal(ours.vertices, back.vertices)
    assert np.array_equal(ours.faces, back.faces)
    return Scan(surface.vertices, surface.faces), back


def test_every_facet_comes_out_again_wound_as_it_was() -> None:
    before, after = through(bowl(23))
    assert same_facets(before, after)


@settings(max_examples=60, deadline=None)
@given(st.lists(st.tuples(*[st.integers(0, 9)] * 3), min_size=1, max_size=40))
def test_so_do_facets_in_any_disorder(rows: list[tuple[int, int, int]]) -> None:
    """Non-manifold edges, facets twice, facets turned against their neighbours, pieces that touch in a point."""
    faces = np.array([row for row in rows if len(set(row)) == 3] or [(0, 1, 2)], dtype=np.int32)
    points = np.random.default_rng(7).uniform(-5.0, 5.0, (10, 3))
    before, after = through(Scan(points, faces))
    assert same_facets(before, after)


def test_a_sphere_keeps_its_volume() -> None:
    """Closed form: an icosahedron of circumradius 1 has the volume (5/12)(3+√5)(4/√(10+2√5))³ = 2.5362."""
    g = (1.0 + 5.0**0.5) / 2.0
    points = [(s, t * g, 0.0) for s in (-1, 1) for t in (-1, 1)]
    points = np.array(points + [(0.0, s, t) for s, t, _ in points] + [(t, 0.0, s) for s, t, _ in points])
    points = 10.0 * points / np.linalg.norm(points, axis=1, keepdims=True)
    from scipy.spatial import ConvexHull

    faces = ConvexHull(points).simplices
    turned = np.einsum("ij,ij->i", np.cross(*(points[faces[:, k]] - points[faces[:, 0]] for k in (1, 2))), points[faces[:, 0]]) < 0  # fmt: skip
    faces = np.where(turned[:, None], faces[:, ::-1], faces)
    back, _ = unpacked(preview_of(Scan(points, faces.astype(np.int32))).data)
    corners = back.vertices[back.faces]
    volume = np.linalg.det(corners).sum() / 6.0
    assert volume == pytest.approx(2536.15, abs=10.0 * 10.0 * 12.0 * STEP_MM / 2.0)


def test_it_lies_on_the_scan_and_is_small() -> None:
    """Distances by libigl, an exact closest-point tree of its own."""
    scan = bowl(380, noise_mm=0.012)
    made = preview_of(scan)
    assert scan.n_faces > 280_000
    assert made.n_faces < 100_000
    assert len(made.data) <= MOST_BYTES
    back, stated_mm = unpacked(made.data)
    assert stated_mm == made.deviation_mm
    squared, _, _ = igl.point_mesh_squared_distance(scan.vertices, back.vertices, back.faces.astype(np.int64))
    off_mm = float(np.quantile(np.sqrt(squared), 0.99))
    assert off_mm <= DEVIATION_MM
    assert made.deviation_mm == pytest.approx(off_mm, rel=0.1)


def test_what_is_small_already_is_only_rounded() -> None:
    scan = bowl(60)
    made = preview_of(scan)
    assert made.n_faces == scan.n_faces
    assert made.deviation_mm <= STEP_MM * 3.0**0.5 / 2.0


def test_the_same_scan_gives_the_same_bytes() -> None:
    scan = bowl(260, noise_mm=0.01)
    assert preview_of(scan).data == preview_of(scan).data


def test_where_it_lies_does_not_matter() -> None:
    near, far = bowl(230, 0.01), bowl(230, 0.01)
    far = Scan(far.vertices + 3000.0, far.faces)
    assert preview_of(far).deviation_mm == pytest.approx(preview_of(near).deviation_mm, abs=0.01)


def test_a_simplifier_that_stops_short_is_noticed(monkeypatch: pytest.MonkeyPatch) -> None:
    """It hands back all it was given, which takes more than is allowed: then there is none, rather than one too large."""
    even = bowl(380)
    scan = Scan(even.vertices + np.random.default_rng(2).normal(0.0, 0.02, (380 * 380, 3)), even.faces)
    monkeypatch.setattr(
        thinning.fast_simplification, "simplify", lambda points, faces, target_count: (points, faces)
    )
    with pytest.raises(NoPreview):
        preview_of(scan)


@pytest.mark.parametrize(
    "points", [[[0, 0, 0], [1, 0, 0], [2, 0, 0]], [[0, 0, 0], [1e9, 0, 0], [0, 1e9, 0]]], ids=["line", "vast"]
)
def test_what_has_no_area_or_no_end_is_not_drawn(points: list[list[float]]) -> None:
    with pytest.raises(NoPreview):
        preview_of(Scan(np.array(points, dtype=float), np.array([[0, 1, 2]], dtype=np.int32)))


def test_what_is_no_whole_preview_is_refused() -> None:
    raw = gzip.decompress(preview_of(bowl(12)).data)
    for broken in (b"", b"solid", raw[:40], gzip.compress(b"APV1"), gzip.compress(raw[:-1])):
        with pytest.raises(NotAPreview):
            scan_of(broken)


@pytest.mark.parametrize("seed", range(20))
def test_bytes_spoilt_in_their_walk_are_refused_or_give_facets_of_points_that_are_there(seed: int) -> None:
    rng = np.random.default_rng(seed)
    raw = bytearray(gzip.decompress(preview_of(bowl(12)).data))
    for at in rng.integers(64, len(raw), 6):
        raw[at] ^= int(rng.integers(1, 256))
    try:
        scan = scan_of(gzip.compress(bytes(raw)))
    except NotAPreview:
        return
    assert 0 <= scan.faces.min() <= scan.faces.max() < scan.n_vertices
