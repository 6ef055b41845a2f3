"""Scan bodies matched by hand, from the record's entry to what is kept of it."""

from __future__ import annotations

import hashlib
from pathlib import Path

import numpy as np
import pytest

from seed_data.phantoms.reference_mesh import reference_mesh
from server.measures.bench import RecordBench
from server.measures.bodies import BODIES, BodiesResult, Matched
from server.measures.body_set import BodyFile, BodySet
from server.metrology.rigid import apply, inverse
from server.metrology.scan import Scan
from server.records.bodies import BodyEntry
from server.records.case_form import Spots
from server.records.roles import Role, Unit
from tests.measures.files import stl
from tests.metrology.bodies.scenes import STEPPED, Floats, scene, without

ON_BODY = np.array([[1.6, 0.0, 2.0], [1.7, 1.1, 4.0], [1.7, -1.1, 4.4]])


@pytest.fixture(scope="module")
def bodies(tmp_path_factory: pytest.TempPathFactory) -> BodySet:
    mesh = reference_mesh(STEPPED)
    data = stl(mesh.vertices[mesh.faces])
    path: Path = tmp_path_factory.mktemp("bodies") / "stepped.stl"
    path.write_bytes(data)
    entry = BodyEntry(
        id="stepped",
        mesh="stepped.stl",
        unit=Unit.MM,
        seat_origin=(0.0, 0.0, 0.0),
        axis=(0.0, 0.0, 1.0),
        clock_direction=(1.0, 0.0, 0.0),
    )
    return BodySet((BodyFile(entry, str(path), hashlib.sha256(data).hexdigest()),))


@pytest.fixture(scope="module")
def jaw() -> tuple[Scan, Floats, Floats]:
    """A scan of two bodies, one of them hardly caught; the poses of both, that one first."""
    seen = scene([(STEPPED, (0.0, 0.0), 0.0), (STEPPED, (0.0, 12.0), 0.0)], sigma_mm=0.010)
    one, other = (T for _, T in seen.poses)
    q = apply(inverse(one), seen.surface.points)
    caught = (q[:, 0] > 1.2) & (np.abs(q[:, 1]) < 1.3)
    left = without(seen.surface, (np.hypot(q[:, 0], q[:, 1]) < 3.4) & (q[:, 2] > 0.05) & ~caught)
    return Scan(left.points, left.faces), one, other


def measured(jaw: Scan, bodies: BodySet, *spots: Spots) -> BodiesResult:
    data = stl(jaw.vertices[jaw.faces])
    bench = RecordBench(
        data, file_name="jaw.stl", role=Role.JAW, unit=Unit.MM, bodies=bodies, spots=tuple(spots)
    )
    bench.ensure(BODIES, {})
    return bench.result(BODIES)


def spots_at(T: Floats, body: str = "stepped", *, stretch: float = 1.0, off_mm: float = 0.0) -> Spots:
    """Spots on a body at a pose, the first of them put down so far off along the surface."""
    on_scan = apply(T, ON_BODY * stretch) + np.array(
        [[0.0, off_mm, 0.0], [0.0, 0.0, 0.0], [0.0, 0.0, off_mm]]
    )
    return Spots.model_validate({"body": body, "scan_mm": on_scan.tolist(), "body_mm": ON_BODY.tolist()})


def test_spots_bring_in_the_body_that_was_not_found(
    jaw: tuple[Scan, Floats, Floats], bodies: BodySet
) -> None:
    scan, one, other = jaw
    assert len(measured(scan, bodies).bodies) == 1
    told = measured(scan, bodies, spots_at(one, off_mm=0.2), spots_at(other))
    assert told.matched == (Matched.FITTED, Matched.FOUND_WITHOUT)
    assert [body.by_hand for body in told.bodies] == [False, True]
    seat = np.array(told.bodies[1].seat_mm)
    assert np.linalg.norm(seat - one[:3, 3]) < max(0.08, 1.5 * told.bodies[1].u95_position_mm)


def test_spots_that_place_nothing_say_why(jaw: tuple[Scan, Floats, Floats], bodies: BodySet) -> None:
    scan, one, _ = jaw
    aside = one.copy()
    aside[1, 3] += 30.0
    told = measured(scan, bodies, spots_at(aside), spots_at(one, "other"), spots_at(one, stretch=3.0))
    assert told.matched == (Matched.NOTHING_THERE, Matched.NO_SUCH_BODY, Matched.NO_MATCH)
    assert [body.by_hand for body in told.bodies] == [False]
