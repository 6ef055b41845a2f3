from __future__ import annotations

from functools import cache

import numpy as np
import pytest
from numpy.typing import NDArray

from server.metrology.bodies.coverage import coverage_of
from server.metrology.bodies.reference import ReferenceBody, reference_body
from server.metrology.rigid import apply, inverse, small_motion
from server.metrology.scan import Scan
from tests.metrology.bodies.lathe import one_flat, turned
from tests.metrology.bodies.scenes import Floats

POSE = small_motion(np.array([0.3, 0.5, -1.1, 8.0, -3.0, 20.0]))
REACH_MM = 0.12
"""Samples within this of a cut still count as caught, which moves a cut by as much."""


@cache
def mesh() -> Scan:
    """r = 2 mm, 6 mm high, a flat 1.2 mm from the axis from z = 2.5 mm up; facets of 0.07 x 0.4 mm."""
    return turned([(2.0, 0.0), (2.0, 6.0)], shape=one_flat, is_closed=False)


@cache
def body() -> ReferenceBody:
    return reference_body("pin", mesh())


def caught(keep: NDArray[np.bool_] | None = None, more: Scan | None = None) -> Scan:
    """The body's own surface where it stands, less facets; and another surface (body's frame) beside it."""
    faces = mesh().faces if keep is None else mesh().faces[keep]
    vertices = mesh().vertices
    if more is not None:
        faces = np.concatenate([faces, more.faces + len(vertices)])
        vertices = np.concatenate([vertices, more.vertices])
    return Scan(apply(POSE, vertices), np.ascontiguousarray(faces, dtype=np.int32))


def middles() -> Floats:
    return np.asarray(mesh().vertices[mesh().faces].mean(axis=1))


def test_a_body_caught_whole_is_covered_whole() -> None:
    seen = coverage_of(body(), POSE, caught())
    assert seen.ratio == 1.0
    assert seen.beneath_ratio == 0.0
    assert (seen.eighths == 1.0).all()
    assert seen.by_height.shape == (6, 8)
    assert seen.top == 1.0
    assert seen.index == 1.0


def test_nothing_caught() -> None:
    seen = coverage_of(body(), POSE, Scan(np.zeros((0, 3)), np.zeros((0, 3), dtype=np.int32)))
    assert seen.ratio == 0.0
    assert (seen.eighths == 0.0).all()


def test_half_a_body_shows_half_its_eighths() -> None:
    """Cut by a plane through the axis: eighths 0-3 (0 to 180 degrees from the clocking direction on) caught, 4-7 not."""
    seen = coverage_of(body(), POSE, caught(middles()[:, 1] > 0.0))
    moved = REACH_MM * (2.0 * 6.0 + 4.0) / body().area_mm2
    assert seen.ratio == pytest.approx(0.5 + moved, abs=0.02)
    assert (seen.eighths[:4] == 1.0).all()
    assert (seen.eighths[5:7] < 0.01).all()  # but for samples by the axis
    assert seen.eighths[[4, 7]].max() < 0.25
    assert seen.index == pytest.approx(0.5, abs=0.1)
    assert seen.top == pytest.approx(0.5, abs=0.1)


def test_a_band_not_caught_is_missing_at_its_height_all_round() -> None:
    low, high = mesh().vertices[mesh().faces, 2].min(axis=1), mesh().vertices[mesh().faces, 2].max(axis=1)
    seen = coverage_of(body(), POSE, caught((high < 1.21) | (low > 1.99)))
    assert (seen.by_height[0] == 1.0).all()
    assert (seen.by_height[3:] == 1.0).all()
    assert seen.by_height[1].max() < 0.65
    band = (
        2.0 * np.pi * 2.0 * (float(low[low > 1.99].min()) - float(high[high < 1.21].max()) - 2.0 * REACH_MM)
    )
    assert seen.ratio == pytest.approx(1.0 - band / body().area_mm2, abs=0.01)
    assert seen.top == 1.0


def tissue(height_mm: float, fall_mm: float = 0.0) -> Scan:
    """A collar about the body, facing up, from the wall at that height to 4.5 mm, and there lower by the fall."""
    turn = np.linspace(0.0, 2.0 * np.pi, 181)[:-1]
    rings = [
        np.column_stack([r * np.cos(turn), r * np.sin(turn), np.full(180, z)])
        for r, z in ((2.0, height_mm), (4.5, height_mm - fall_mm))
    ]
    i, j = np.arange(180), (np.arange(180) + 1) % 180
    faces = np.concatenate([np.stack([i, 180 + i, 180 + j], 1), np.stack([i, 180 + j, j], 1)])
    return Scan(np.concatenate(rings), faces.astype(np.int32))


def test_what_lies_under_tissue_is_not_held_against_the_scan() -> None:
    """The wall below 2 mm was not caught, and tissue that slopes down from there covers it."""
    low = mesh().vertices[mesh().faces, 2].min(axis=1)
    sloping = tissue(2.0, fall_mm=1.9)
    seen = coverage_of(body(), POSE, caught(low > 1.99, sloping))
    under = 2.0 * np.pi * 2.0 * (2.0 - REACH_MM) / body().area_mm2
    assert seen.beneath_ratio == pytest.approx(under, abs=0.03)
    assert seen.ratio > 0.97


def test_what_is_missing_above_tissue_is_held_against_the_scan() -> None:
    z = middles()[:, 2]
    seen = coverage_of(body(), POSE, caught(z < 2.0, tissue(0.0)))
    assert seen.beneath_ratio < 0.01
    assert seen.ratio < 0.40
    assert seen.index == 0.0
    assert seen.top == 0.0


def test_a_body_without_index_or_top_says_so() -> None:
    plain = reference_body("plain", turned([(2.0, 0.0), (2.0, 6.0)], is_closed=False))
    scan = turned([(2.0, 0.0), (2.0, 6.0)], is_closed=False)
    seen = coverage_of(plain, np.eye(4), scan)
    assert seen.index is None
    assert seen.top == 1.0


def test_the_frame_of_the_scan_does_not_matter() -> None:
    keep = middles() @ (0.6, 0.7, 0.1) < 0.7
    here = coverage_of(body(), POSE, caught(keep))
    faces = np.ascontiguousarray(mesh().faces[keep], dtype=np.int32)
    there = coverage_of(body(), np.eye(4), Scan(apply(inverse(POSE), apply(POSE, mesh().vertices)), faces))
    np.testing.assert_allclose(there.eighths, here.eighths, atol=0.02)
