"""Implant positions as copies of a drawing: every copy has points along its rims and nowhere between."""

from __future__ import annotations

import hashlib
from pathlib import Path

import numpy as np
import pytest

from server.measures.bench import RecordBench
from server.measures.bodies import BODIES, BodiesResult
from server.measures.body_set import BodyFile, BodySet
from server.metrology.rigid import apply, small_motion
from server.records.bodies import BodyEntry
from server.records.roles import Role, Unit
from tests.measures.files import stl
from tests.metrology.bodies.angular import OtherBody, prism, slanted

POSES = [
    small_motion(np.array([0.2 * k, -0.1, 0.7 * k, 11.0 * k, 5.0 - (k - 1.5) ** 2, 3.0])) for k in range(4)
]


def catalogue_of(kinds: tuple[OtherBody, ...], folder: Path) -> BodySet:
    files = []
    for kind in kinds:
        data, path = stl(kind.mesh.vertices[kind.mesh.faces]), folder / f"{kind.id}.stl"
        path.write_bytes(data)
        entry = BodyEntry.model_validate({"id": kind.id, "mesh": path.name})
        files.append(BodyFile(entry, str(path), hashlib.sha256(data).hexdigest()))
    return BodySet(tuple(files))


@pytest.mark.parametrize("kind", [slanted(), prism(6, 2.0, 6.5)], ids=lambda kind: kind.id)
def test_copies_of_a_drawing_are_found_where_they_stand(kind: OtherBody, tmp_path: Path) -> None:
    facets = np.concatenate([apply(T, kind.mesh.vertices)[kind.mesh.faces] for T in POSES])
    longest = np.linalg.norm(facets - np.roll(facets, 1, axis=1), axis=2).max()
    assert longest > 5.0
    bench = RecordBench(
        stl(facets),
        file_name="positions.stl",
        role=Role.MARKERS,
        unit=Unit.MM,
        bodies=catalogue_of((kind, prism(4, 1.8, 5.5)), tmp_path),
    )
    bench.ensure(BODIES, {})
    found: BodiesResult = bench.result(BODIES)
    assert len(found.bodies) == len(POSES)
    for T in POSES:
        one = min(found.bodies, key=lambda body: float(np.linalg.norm(np.array(body.seat_mm) - T[:3, 3])))
        assert one.body == kind.id
        assert np.linalg.norm(np.array(one.seat_mm) - T[:3, 3]) < 0.005
        assert np.array(one.axis) @ T[:3, 2] == pytest.approx(1.0, abs=1e-5)
        assert np.array(one.clock) @ T[:3, 0] == pytest.approx(1.0, abs=1e-4)
        assert one.u95_clock_deg is not None
