"""Differences of a positive that stands off by a known amount."""

from __future__ import annotations

import numpy as np
import pytest

from server.metrology.impression.differences import RIM_MM, Post, differences_of
from server.metrology.rigid import inverse
from server.metrology.scan import Scan
from tests.metrology.impression.dentures import surface_of
from tests.metrology.registration.landscapes import frame


def _sheet(height_mm: float, spacing_mm: float = 0.5) -> Scan:
    x, y = np.meshgrid(
        np.arange(-15.0, 15.01, spacing_mm), np.arange(-15.0, 15.01, spacing_mm), indexing="ij"
    )
    n, m = x.shape
    number = np.arange(n * m).reshape(n, m)
    a, b, c, d = number[:-1, :-1], number[1:, :-1], number[1:, 1:], number[:-1, 1:]
    faces = np.concatenate([np.stack([a, b, c], -1).reshape(-1, 3), np.stack([a, c, d], -1).reshape(-1, 3)])
    points = np.stack([x, y, np.full_like(x, height_mm)], axis=-1).reshape(-1, 3)
    return Scan(points, faces.astype(np.int32))


@pytest.mark.parametrize("off_mm", [0.3, -0.3])
def test_a_shift_along_the_normal_comes_out_with_its_sign(off_mm: float) -> None:
    T = frame(3)
    moved = Scan((_sheet(off_mm).vertices @ T[:3, :3].T) + T[:3, 3], _sheet(off_mm).faces)
    seen = differences_of(surface_of(moved), surface_of(_sheet(0.0)), inverse(T))
    assert seen.offset_mm == pytest.approx(off_mm, abs=1e-9)
    assert seen.compared_ratio > 0.9  # the border of the tissue says nothing of what lies beyond it


def test_the_rounding_of_the_border_is_left_out() -> None:
    """A positive of 30 by 30 mm whose last millimetre bends up by half a millimetre, on a tissue that reaches farther."""
    positive, tissue = _sheet(0.0), _sheet(0.0)
    tissue.vertices[:, :2] *= 1.2
    out = np.abs(positive.vertices[:, :2]).max(axis=1) - 14.0
    positive.vertices[:, 2] += 0.5 * np.maximum(out, 0.0) ** 2
    seen = differences_of(surface_of(positive), surface_of(tissue), np.eye(4))
    assert np.abs(seen.at[:, :2]).max() == pytest.approx(15.0 - RIM_MM, abs=0.3)
    assert np.abs(seen.offset_mm).max() < 0.05  # what a patch of 1 mm at 13.8 mm still takes in


def test_what_scatters_from_point_to_point_is_no_difference() -> None:
    """Noise of 0.03 mm on points 0.5 mm apart: some 12 of them lie in a patch, so that a mean of them has 0.009 mm."""
    rough = _sheet(0.2)
    rough.vertices[:, 2] += np.random.default_rng(4).normal(scale=0.03, size=len(rough.vertices))
    seen = differences_of(surface_of(rough), surface_of(_sheet(0.0)), np.eye(4))
    assert np.std(seen.offset_mm) < 0.012
    assert np.quantile(np.abs(seen.offset_mm), 0.95) == pytest.approx(0.2, abs=0.02)


def test_posts_are_left_out() -> None:
    bump = _sheet(0.0)
    near = np.hypot(bump.vertices[:, 0], bump.vertices[:, 1]) < 2.0
    bump.vertices[near, 2] = 0.9
    post = Post(np.eye(4), 2.0, 5.0)
    with_it = differences_of(surface_of(bump), surface_of(_sheet(0.0)), np.eye(4))
    without = differences_of(surface_of(bump), surface_of(_sheet(0.0)), np.eye(4), (post,))
    assert with_it.offset_mm.max() > 0.5
    assert without.offset_mm == pytest.approx(0.0, abs=1e-9)
