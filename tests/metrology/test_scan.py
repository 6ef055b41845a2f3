"""A part of a scan: the same corners, colours and order, and no corner that no facet of it has."""

from __future__ import annotations

import numpy as np

from server.metrology.scan import Scan
from tests.metrology.shapes import sphere


def test_a_part_holds_its_facets_and_their_corners_alone() -> None:
    whole = sphere(5.0, 3)
    rgb = np.arange(3 * whole.n_vertices, dtype=np.uint32).reshape(-1, 3).astype(np.uint8)
    scan = Scan(whole.vertices, whole.faces, rgb)
    chosen = scan.faces[whole.vertices[whole.faces[:, 0], 2] > 2.0]
    part = scan.part(chosen)
    assert np.array_equal(part.vertices[part.faces], scan.vertices[chosen])
    assert part.vertex_rgb is not None
    assert np.array_equal(part.vertex_rgb[part.faces], rgb[chosen])
    used = np.unique(chosen)
    assert np.array_equal(part.vertices, scan.vertices[used])
    assert part.faces.dtype == np.int32


def test_a_part_may_be_turned_and_of_all_facets_is_the_scan_itself() -> None:
    scan = sphere(5.0, 2)
    turned = scan.part(scan.faces[:, ::-1])
    assert np.array_equal(turned.vertices[turned.faces], scan.vertices[scan.faces[:, ::-1]])
    assert np.array_equal(scan.part(scan.faces).vertices, scan.vertices)
    assert scan.part(scan.faces[:0]).n_vertices == 0
