"""Shares of one surface found in another, against the shares of area that were cut by hand."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from scipy.spatial import Delaunay

from seed_data.phantoms.phantom import draft_work
from seed_data.phantoms.scanner import scan as scanned
from server.metrology.readers import read_scan
from server.metrology.sameness import (
    FEWEST_SHARED_KEYS,
    LEAST_COMPARED,
    Share,
    Sketch,
    index_keys,
    share_found,
    sketch_of,
)
from server.metrology.scan import Points, Scan
from server.metrology.topology import topology_of
from tests.metrology.readers.mesh_files import corners_of, obj_text, sheet, stl, stl_text
from tests.metrology.shapes import box, centres, joined, kept, moved, renumbered, scan_of, sphere, turned


def surface(seed: int = 1, n: int = 12_000, size_mm: float = 40.0) -> Scan:
    """An invented hilly surface on points strewn at random, about 0.37 mm apart; 2 n facets."""
    rng = np.random.default_rng(seed)
    xy = rng.uniform(0.0, size_mm, (n, 2))
    hills = sum(
        np.sin(xy @ rng.normal(scale=0.4, size=2) + rng.uniform(0.0, 6.0)) * size / 2.0 for size in (1, 2, 3)
    )
    return scan_of(np.column_stack([xy, hills]), Delaunay(xy).simplices)


def sketch(scan: Scan) -> Sketch:
    return sketch_of(topology_of(scan))


def read(data: bytes, name: str, factor: float = 1.0) -> Scan:
    return read_scan(data, name).scan.scaled(factor)


SURFACE = surface()
SKETCH = sketch(SURFACE)


def both_ways(other: Scan) -> tuple[Share, Share]:
    made = sketch(other)
    there, back = share_found(SKETCH, made), share_found(made, SKETCH)
    assert there is not None
    assert back is not None
    return there, back


def corners(points: Points, decimals: int | None = None) -> Points:
    return corners_of(points if decimals is None else np.round(points, decimals), SURFACE.faces)


FAR = moved(SURFACE).vertices
COPIES = {
    "itself": SURFACE,
    "moved": moved(SURFACE),
    "renumbered": renumbered(SURFACE),
    "inside-out": turned(moved(SURFACE)),
    "partly-turned": turned(SURFACE, centres(SURFACE)[:, 0] > 20.0),
    "float32": read(stl(corners(FAR)), "x.stl"),
    "ascii-6": read(stl_text(corners(FAR), number="%.6f"), "x.stl"),
    "ascii-5": read(stl_text(corners(FAR), number="%.5f"), "x.stl"),
    "ascii-4": read(stl_text(corners(FAR), number="%.4f"), "x.stl"),
    "obj": read(obj_text(FAR, SURFACE.faces), "x.obj"),
    "metres-7": read(stl_text(corners(FAR / 1000.0), number="%.7f"), "x.stl", 1000.0),
}


@pytest.mark.parametrize("name", COPIES)
def test_a_copy_is_found_whole_both_ways(name: str) -> None:
    for share in both_ways(COPIES[name]):
        assert share.share_ratio - share.u95_ratio > 0.97
        assert share.share_ratio + share.u95_ratio > 0.999  # the interval reaches the truth, 1
        assert share.scale_ratio == pytest.approx(1.0, abs=0.001)
        assert share.is_mirrored is False


def test_three_decimals_are_told_with_less_certainty_and_two_are_another_surface() -> None:
    three = [Scan(np.round(FAR, 3), SURFACE.faces), Scan(np.round(FAR, 2), SURFACE.faces)]
    share, lost = both_ways(three[0])[0], both_ways(three[1])[0]
    assert share.share_ratio - share.u95_ratio > 0.90
    assert share.u95_ratio > both_ways(COPIES["ascii-5"])[0].u95_ratio
    assert lost.share_ratio < 0.05


def test_a_mirror_image_is_found_and_told() -> None:
    for share in both_ways(moved(Scan(SURFACE.vertices * (1.0, 1.0, -1.0), SURFACE.faces))):
        assert share.share_ratio > 0.99
        assert share.is_mirrored is True


@pytest.mark.parametrize("factor", [1000.0, 25.4, 1.003])
def test_another_scale_is_found_and_measured(factor: float) -> None:
    there, back = both_ways(moved(SURFACE.scaled(factor)))
    assert there.share_ratio > 0.99
    assert there.scale_ratio == pytest.approx(factor, rel=0.001)
    assert back.scale_ratio == pytest.approx(1.0 / factor, rel=0.001)


@pytest.mark.parametrize("length_mm", [3.0, 10.0, 20.0, 36.0])
def test_of_a_crop_the_share_of_facets_is_found_and_the_crop_whole(length_mm: float) -> None:
    keep = centres(SURFACE)[:, 0] < length_mm
    there, back = both_ways(moved(kept(SURFACE, keep)))
    assert (
        abs(there.share_ratio - keep.mean()) <= there.u95_ratio + 0.01
    )  # a facet at the cut has lost a neighbour
    assert back.share_ratio + back.u95_ratio > 0.999
    assert back.share_ratio - back.u95_ratio > 0.9


def test_the_interval_holds_the_share_in_nine_of_ten_crops_at_least() -> None:
    """Every crop is another sample of the same sketch: 20 directions, half and a quarter of the area."""
    flat = centres(SURFACE)[:, :2] - 20.0
    held = 0
    for k in range(20):
        along = flat @ (np.cos(k), np.sin(k))
        keep = along < np.quantile(along, 0.5 if k % 2 else 0.25)
        made = sketch(kept(SURFACE, keep))
        inner = made.n_described / SKETCH.n_described
        share = share_found(SKETCH, made)
        assert share is not None
        held += abs(share.share_ratio - inner) <= share.u95_ratio
    assert held >= 18


def test_a_surface_within_a_larger_one_is_found_whole() -> None:
    there, back = both_ways(joined(SURFACE, moved(surface(2))))
    assert there.share_ratio > 0.99
    assert back.share_ratio == pytest.approx(0.5, abs=0.03)


def test_other_surfaces_are_not_found() -> None:
    for seed in range(2, 8):
        for share in both_ways(surface(seed)):
            assert share.share_ratio < 0.01


def test_points_that_were_measured_anew_are_another_surface() -> None:
    """The same facets, every point off by 0.01 mm: no scanner repeats its points so well."""
    again = np.random.default_rng(3).normal(scale=0.01, size=FAR.shape)
    assert both_ways(Scan(FAR + again, SURFACE.faces))[0].share_ratio < 0.05


@pytest.fixture(scope="module")
def captures() -> dict[str, Sketch]:
    """Two mouths: of each the opposing jaw scanned twice, and its tissue."""
    made = {}
    for seed in (11, 12):
        work = draft_work(seed, None, None, random_frames=True, detail=0.6, noise_um=None)
        for name, take in (("opposing", ""), ("opposing", "2"), ("tissue", "")):
            draft = scanned(seed, work.subjects[name], work.settings[name], take=take)
            made[f"{seed} {name} {take}"] = sketch(Scan(draft.in_file(), draft.faces.astype(np.int32)))
    return made


def test_no_two_captures_are_the_same_of_whichever_mouth(captures: dict[str, Sketch]) -> None:
    names = list(captures)
    shares = {(a, b): share_found(captures[a], captures[b]) for a in names for b in names if a != b}
    assert len(shares) == 30
    for pair, share in shares.items():
        assert share is not None, pair
        assert share.share_ratio + share.u95_ratio < 0.2, pair
        assert len(set(index_keys(captures[pair[0]])) & set(index_keys(captures[pair[1]]))) < 2, pair


GRID = Scan(*sheet(60))
REGULAR = {
    "grid": Scan(GRID.vertices * (1.0, 1.0, 0.0), GRID.faces),
    "sphere": sphere(),
    "box": box(1.0, 2.0, 3.0),
}


@pytest.mark.parametrize("name", REGULAR)
def test_a_regular_surface_cannot_be_known(name: str) -> None:
    made = sketch(REGULAR[name])
    assert not made.can_be_known
    assert share_found(made, made) is None
    assert share_found(made, SKETCH) is None
    assert share_found(SKETCH, made) is None
    assert index_keys(made) == ()


def test_a_regular_part_does_not_crowd_out_the_rest() -> None:
    """Of 24 000 facets and 50 000 of a plane grid in one file, the first are still found."""
    plane = Scan(*sheet(160))
    flat = Scan(plane.vertices * (1.0, 1.0, 0.0), plane.faces)
    there, back = both_ways(joined(moved(SURFACE), flat))
    assert there.share_ratio > 0.99
    assert back.n_compared > LEAST_COMPARED
    assert back.share_ratio > 0.97


def test_too_small_a_patch_cannot_be_known() -> None:
    patch = kept(SURFACE, np.linalg.norm(centres(SURFACE)[:, :2] - 20.0, axis=1) < 0.5)
    assert patch.n_faces < LEAST_COMPARED
    assert share_found(sketch(patch), SKETCH) is None


def test_copies_share_keys_and_foreign_surfaces_share_none() -> None:
    keys = set(index_keys(SKETCH))
    assert len(keys) >= 16
    for name, copy in COPIES.items():
        assert len(keys & set(index_keys(sketch(copy)))) >= FEWEST_SHARED_KEYS, name
    assert all(not keys & set(index_keys(sketch(surface(seed)))) for seed in range(2, 8))


def test_a_sketch_does_not_depend_on_order_and_is_whole_below_its_bound() -> None:
    """A sketch of everything, cut at the bound of a full one, is that one."""
    large = surface(9, n=30_000, size_mm=60.0)
    full = sketch(large)
    assert full.bound < 2**64 - 1
    part = sketch(kept(large, centres(large)[:, 0] < 3.0))
    assert part.bound == 2**64 - 1
    below = part.hashes[part.hashes < np.uint64(full.bound)]
    assert np.isin(below, full.hashes).mean() > 0.999
    again = sketch(renumbered(large))
    assert np.isin(again.hashes, full.hashes).mean() > 0.999


def test_facets_that_are_crowded_flat_or_at_a_border_do_not_count() -> None:
    doubled = Scan(SURFACE.vertices, np.vstack([SURFACE.faces, SURFACE.faces[:500]]))
    assert sketch(doubled).n_described < SKETCH.n_described
    lines = replace(SURFACE, vertices=SURFACE.vertices * (1.0, 0.0, 0.0))
    assert sketch(lines).n_described == 0
    triangle = Scan(np.eye(3), np.array([[0, 1, 2]], dtype=np.int32))
    assert sketch(triangle).n_described == 0
    assert sketch(triangle).distinct_ratio == 0.0
