from __future__ import annotations

import numpy as np
import pytest

from server.metrology.bvh import BoxTree
from server.metrology.facing import (
    Side,
    facing_of,
    turned_as_likely,
    turned_as_told,
    turned_toward_scanner,
)
from server.metrology.scan import Scan
from server.metrology.topology import topology_of
from tests.metrology.shapes import (
    box,
    cap,
    centres,
    joined,
    kept,
    moved,
    renumbered,
    scan_of,
    scattered,
    sphere,
    turned,
)


def _facing(scan: Scan):  # type: ignore[no-untyped-def]
    return facing_of(topology_of(scan), BoxTree(scan))


@pytest.mark.parametrize("change", [lambda s: s, moved, renumbered], ids=["as made", "moved", "renumbered"])
@pytest.mark.parametrize(("height_mm", "least"), [(25.0, 0.4), (12.0, 0.2)])
def test_an_open_shell_shows_its_outside(change, height_mm: float, least: float) -> None:  # type: ignore[no-untyped-def]
    scan = change(scattered(cap(25.0, height_mm, 5), 0.01))
    (patch,) = _facing(scan).patches
    assert (patch.side, patch.is_certain) == (Side.SCANNER, True)
    assert patch.score > least
    (back,) = _facing(turned(scan)).patches
    assert (back.side, back.is_certain) == (Side.AWAY, True)
    assert back.score == pytest.approx(-patch.score, abs=0.02)


def test_a_half_sphere_hides_half_the_sky_behind() -> None:
    """Closed form: by the cosine law each point of a sphere sees every other in proportion to its area, so from
    within a half sphere half of what is behind is blocked, and nothing in front."""
    (patch,) = _facing(cap(25.0, 25.0, 6)).patches
    assert patch.score == pytest.approx(0.5, abs=0.02)


def test_a_flat_sheet_is_undecided() -> None:
    sheet = kept(box(40, 40, 1), np.abs(topology_of(box(40, 40, 1)).normals[:, 2] - 1) < 1e-9)
    (patch,) = _facing(sheet).patches
    assert patch.side is Side.UNDECIDED


def test_a_closed_body_by_its_volume() -> None:
    assert _facing(sphere(5.0, 3)).patches[0].score == 1.0
    assert _facing(turned(sphere(5.0, 3))).patches[0].side is Side.AWAY


def test_the_shell_that_is_turned_is_named() -> None:
    body = Scan(sphere(4.0, 4).vertices + np.array([60.0, 0, 0]), turned(sphere(4.0, 4)).faces)
    facing = _facing(joined(cap(25.0, 25.0, 5), body))
    assert [patch.side for patch in facing.patches] == [Side.SCANNER, Side.AWAY]
    assert facing.away[0].centre_mm[0] == pytest.approx(60.0, abs=0.1)


def test_turned_facets_are_found_and_turned_back() -> None:
    scan = cap(25.0, 25.0, 6)
    which = centres(scan)[:, 0] < -20.0
    mixed = turned(scan, which)
    facing = _facing(mixed)
    assert (facing.is_odd == which).all()
    assert facing.patches[0].turned_area_mm2 == pytest.approx(topology_of(scan).areas_mm2[which].sum())
    assert not topology_of(turned_toward_scanner(mixed, facing)).against.any()
    whole = turned_toward_scanner(turned(scan), _facing(turned(scan)))
    assert (np.sort(whole.faces, axis=1) == np.sort(scan.faces, axis=1)).all()
    assert np.allclose(topology_of(whole).normals, topology_of(scan).normals)


def test_a_one_sided_strip_has_edges_that_fit_no_winding() -> None:
    """A Möbius strip of 60 quads."""
    n = 60
    angle = np.linspace(0, 2 * np.pi, n, endpoint=False)
    rows = []
    for s in (-1.0, 1.0):
        r = 20.0 + 3.0 * s * np.cos(angle / 2)
        rows.append(np.stack([r * np.cos(angle), r * np.sin(angle), 3.0 * s * np.sin(angle / 2)], axis=1))
    faces = []
    for i in range(n):
        a, b = i, i + n
        c, d = ((i + 1) % n, (i + 1) % n + n) if i < n - 1 else (n, 0)
        faces += [(a, c, b), (b, c, d)]
    facing = _facing(scan_of(np.vstack(rows), np.array(faces)))
    assert facing.n_conflicts == 1


def test_a_main_part_that_sees_otherwise_is_not_overruled_by_the_rest() -> None:
    """By the cosine law a cap of height h hides h / 2R of the sky behind it: 0.5 deep, 0.06 shallow."""
    deep, shallow = cap(25.0, 25.0, 6), cap(25.0, 3.0, 6)
    beside = Scan(shallow.vertices + np.array([80.0, 0, 0]), shallow.faces)
    one, other = _facing(joined(turned(deep), beside)).patches
    assert (one.side, one.is_certain) == (Side.AWAY, True)
    assert (other.side, other.is_certain) == (Side.SCANNER, False)
    assert other.score == pytest.approx(0.06, abs=0.015)
    _, alike = _facing(joined(deep, beside)).patches
    assert (alike.side, alike.is_certain) == (Side.SCANNER, True)


@pytest.mark.parametrize("change", [lambda s: s, turned], ids=["as made", "inside out"])
def test_what_was_told_before_turns_the_same_facets(change) -> None:  # type: ignore[no-untyped-def]
    piece = change(joined(cap(25.0, 25.0, 4), moved(turned(cap(20.0, 20.0, 4)))))
    facing = _facing(piece)
    again = turned_as_told(topology_of(piece), [patch.number for patch in facing.away])
    np.testing.assert_array_equal(again.faces, turned_as_likely(piece, facing).faces)
    assert (again is piece) == (not facing.away)
