"""Bodies of the catalogue made ready: cut to mm, moved to the seat's frame, or refused with what to mend."""

from __future__ import annotations

import hashlib
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from pydantic import ValidationError

from seed_data.phantoms.bodies import KINDS
from seed_data.phantoms.mesh_files import stl_bytes
from seed_data.phantoms.reference_mesh import reference_mesh
from server.measures.body_set import BodyFile, BodySet, BodyUnusable, ready_body
from server.metrology.scan import Scan
from server.records.bodies import BodyEntry
from server.records.roles import Unit

KIND = KINDS["rb-60"]
MESH = reference_mesh(KIND)


def entry(**said: Any) -> BodyEntry:
    return BodyEntry.model_validate({"id": "rb-60", "mesh": "rb-60.stl", **said})


def mesh(points: np.ndarray | None = None) -> bytes:
    return stl_bytes(MESH.vertices if points is None else points, MESH.faces.astype(np.int64))


def test_a_mesh_in_another_unit_and_frame_comes_to_lie_on_its_seat() -> None:
    """T_file_body: axis along -y, clocking along +z, seat at (7, 1, -2) cm."""
    x, z = np.array([0.0, 0.0, 1.0]), np.array([0.0, -1.0, 0.0])
    R = np.column_stack([x, np.cross(z, x), z])
    points = (MESH.vertices @ R.T) / 10.0 + (7.0, 1.0, -2.0)
    said = entry(
        unit="cm", seat_origin=(7.0, 1.0, -2.0), axis=(0.0, -3.0, 0.0), clock_direction=(0.0, 0.5, 1.0)
    )
    body = ready_body(said, mesh(points))
    assert body.height_mm == pytest.approx(6.0, abs=1e-5)  # float32 coordinates up to 7 cm: 2.4e-7 cm apart
    assert body.reach_mm == pytest.approx(2.25, abs=1e-5)
    flat = body.points[body.is_index & (np.abs(body.normals[:, 2]) < 0.1)]
    assert flat[:, 0] == pytest.approx(1.35, abs=1e-5)  # the flat of the invented kind faces +x
    assert body.area_mm2 == pytest.approx(ready_body(entry(), mesh()).area_mm2, rel=0.01)


@pytest.mark.parametrize(
    ("said", "words"),
    [
        ({"clock_direction": (0.01, 0.0, -1.0)}, "point the same way"),
        ({"unit": Unit.UNKNOWN}, "must say its unit"),
        ({"unit": Unit.M}, "check the unit"),
        ({"unit": Unit.UM}, "check the unit"),
        ({"seat_origin": (0.0, 0.0, 60.0)}, "check seat_origin"),
        ({"axis": (0.0, 0.0, -1.0)}, "check the seat, the axis"),
    ],
)
def test_an_entry_that_cannot_be_right_is_refused(said: dict[str, Any], words: str) -> None:
    with pytest.raises(BodyUnusable, match=words):
        ready_body(entry(**said), mesh())


def test_an_axis_without_length_is_refused_by_the_entry_itself() -> None:
    with pytest.raises(ValidationError):
        entry(axis=(0.0, 0.0, 0.0))


@pytest.mark.parametrize(
    "data", [b"", b"solid nothing", mesh()[:-7], stl_bytes(np.zeros((0, 3)), np.zeros((0, 3), np.int64))]
)
def test_a_mesh_that_cannot_be_read_is_refused(data: bytes) -> None:
    with pytest.raises(BodyUnusable):
        ready_body(entry(), data)


def test_a_plate_is_no_body_round_an_axis() -> None:
    plate = Scan(
        np.array([[-10, -10, 1], [10, -10, 1], [10, 10, 1], [-10, 10, 1]], float),
        np.array([[0, 1, 2], [0, 2, 3]], np.int64),
    )
    with pytest.raises(BodyUnusable, match="axis"):
        ready_body(entry(), stl_bytes(plate.vertices, plate.faces.astype(np.int64)))


def test_the_digest_stands_for_entries_and_meshes_in_any_order_and_place() -> None:
    one, other = (
        BodyFile(entry(), "/a/rb-60.stl", "1" * 64),
        BodyFile(entry(id="rb-61"), "/a/rb-61.stl", "2" * 64),
    )
    digest = BodySet((one, other)).digest
    assert BodySet((other, one)).digest == digest
    assert BodySet((BodyFile(entry(), "/b/elsewhere", "1" * 64), other)).digest == digest
    assert BodySet().digest == ""
    changed = (
        BodySet((one,)),
        BodySet((BodyFile(entry(), "/a/rb-60.stl", "3" * 64), other)),
        BodySet((BodyFile(entry(seat_origin=(0.0, 0.0, 0.1)), "/a/rb-60.stl", "1" * 64), other)),
    )
    assert len({digest, *(each.digest for each in changed)}) == 4


def test_a_body_is_made_ready_once_wherever_its_mesh_lies(tmp_path: Path) -> None:
    paths = [tmp_path / name for name in ("here.stl", "there.stl")]
    for path in paths:
        path.write_bytes(mesh())
    sha256 = hashlib.sha256(mesh()).hexdigest()
    here, there = (BodySet((BodyFile(entry(), str(path), sha256),)).ready() for path in paths)
    assert here[0] is there[0]
    assert here[0].id == "rb-60"
