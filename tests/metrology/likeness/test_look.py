from __future__ import annotations

import numpy as np
import pytest
import trimesh

from server.metrology.likeness.look import Likeness, Look, likeness_of
from server.metrology.scan import Scan
from server.metrology.topology import topology_of
from tests.metrology.likeness.arches import along_the_bow, band, half, post, ridge, slab, with_posts
from tests.metrology.shapes import joined, moved, renumbered, scan_of, scattered

BARE, CROWNED = ridge(), ridge(crowns=14)
LOOKS = {
    Look.BARE_ARCH: BARE,
    Look.ARCH_WITH_TEETH: CROWNED,
    Look.ARCH_WITH_POSTS: with_posts(5),
    Look.BODIES_ALONE: joined(*along_the_bow(5, post())),
    Look.JAWS_CLOSED: band(),
    Look.CLOSED_ALL_ROUND: slab(),
}


def look(scan: Scan) -> Likeness:
    return likeness_of(topology_of(scan))


@pytest.mark.parametrize("expected", LOOKS, ids=lambda expected: expected.value)
def test_each_shape_is_known_for_what_it_is(expected: Look) -> None:
    seen = look(LOOKS[expected])
    assert seen.likeliest is expected
    assert seen.shares[expected] > 0.95
    assert sum(seen.shares.values()) == pytest.approx(1.0)


@pytest.mark.parametrize("expected", LOOKS, ids=lambda expected: expected.value)
def test_frame_numbering_and_scatter_change_nothing(expected: Look) -> None:
    seen = look(scattered(renumbered(moved(LOOKS[expected])), 0.015))
    assert (seen.likeliest, seen.shares[expected] > 0.95) == (expected, True)


def test_two_jaws_face_to_face_are_closed_on_each_other() -> None:
    other = Scan(CROWNED.vertices * (1.0, 1.0, -1.0) + (0.0, 0.0, 36.0), CROWNED.faces[:, ::-1])
    seen = look(joined(CROWNED, other))
    assert seen.likeliest is Look.JAWS_CLOSED
    assert seen.outline.faces_itself_cos < -0.98


def test_a_denture_all_round_upon_a_jaw_is_a_bite_and_no_denture() -> None:
    denture = slab()
    above = Scan(denture.vertices + np.array([0.0, 0.0, 30.0]), denture.faces)
    seen = look(joined(CROWNED, above))
    assert (seen.outline.n_parts, min(seen.outline.opening_ratios)) == (2, 0.0)
    assert seen.likeliest is Look.JAWS_CLOSED
    assert seen.shares[Look.CLOSED_ALL_ROUND] < 0.05


def test_two_halves_of_one_jaw_that_face_the_same_way_are_not() -> None:
    left, right = half(BARE, left=True), half(BARE, left=False)
    apart = joined(left, Scan(right.vertices + np.array([1.0, 0.0, 0.0]), right.faces))
    seen = look(apart)
    assert seen.outline.n_parts == 2
    assert seen.likeliest is Look.BARE_ARCH


def test_a_jaw_put_on_a_base_is_not_sure_to_be_a_denture() -> None:
    block = trimesh.creation.box(extents=(50.0, 40.0, 16.0))
    for _ in range(6):
        block = block.subdivide()
    seen = look(scan_of(block.vertices, block.faces))
    assert seen.outline.opening_ratio == 0.0
    assert seen.outline.base_ratio == pytest.approx(2000.0 / 6880.0, abs=0.01)
    assert seen.shares[Look.CLOSED_ALL_ROUND] < 0.5


def test_a_denture_with_an_opening_is_still_closed_all_round() -> None:
    whole = slab()
    middle = whole.vertices[whole.faces].mean(axis=1)
    open_ = scan_of(
        whole.vertices, whole.faces[np.hypot(middle[:, 0], middle[:, 1]) + 99.0 * (middle[:, 2] < 0) > 4.0]
    )
    assert look(open_).shares[Look.CLOSED_ALL_ROUND] > 0.95


def test_half_caught_bodies_are_likelier_than_anything_but_not_sure() -> None:
    seen = look(with_posts(5, turn=0.6))
    assert (seen.n_whole_posts, seen.n_half_posts, seen.likeliest) == (0, 5, Look.ARCH_WITH_POSTS)
    assert 0.5 < seen.shares[Look.ARCH_WITH_POSTS] < 0.95


def test_low_caps_are_not_bodies() -> None:
    assert look(with_posts(5, height_mm=2.0)).likeliest is Look.BARE_ARCH


def test_what_is_too_coarse_to_tell_is_said_to_be() -> None:
    box = trimesh.creation.box(extents=(50.0, 40.0, 16.0))
    assert look(scan_of(box.vertices, box.faces)).shares == {Look.UNTOLD: 1.0}


def test_one_post_alone_does_not_make_a_jaw_scan_with_bodies() -> None:
    seen = look(with_posts(1))
    assert (seen.n_whole_posts, seen.n_half_posts, seen.likeliest) == (1, 0, Look.BARE_ARCH)
    assert seen.shares[Look.BARE_ARCH] < 0.95
