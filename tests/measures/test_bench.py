"""What a bench gives and refuses; sizes in file units, with the unit that the form declares."""

from __future__ import annotations

import hashlib
from pathlib import Path

import numpy as np
import pytest

from seed_data.phantoms.bodies import KINDS
from seed_data.phantoms.mesh_files import stl_bytes
from seed_data.phantoms.reference_mesh import reference_mesh
from server.measures.body_set import BodyFile, BodySet
from server.measures.graph import RECORD_MEASURES
from server.measures.measure import NotMeasured, Status
from server.records.bodies import BodyEntry
from server.records.roles import Unit
from tests.measures.files import bench, patch, stl

WITHOUT_LENGTHS = {"file.reading", "file.extent", "file.personal"}
"""Measures that say something where no length is known."""


@pytest.mark.parametrize(
    ("size", "unit"), [(0.05, Unit.MM), (1000.0, Unit.MM), (50.0, Unit.M), (1000.0, Unit.UNKNOWN)]
)
def test_without_a_plausible_size_no_length_is_measured(size: float, unit: Unit) -> None:
    lying = bench(stl(patch(size)), unit=unit)
    with pytest.raises(NotMeasured) as answer:
        _ = lying.scan
    assert answer.value.because == "file/unit-doubtful"
    made = {m.measure: m for m in lying.run(RECORD_MEASURES, {})}
    lost = {name for name, m in made.items() if m.status is not Status.MEASURED}
    assert {m.because for m in made.values() if m.measure in lost} == {"file/unit-doubtful"}
    assert made.keys() - lost == WITHOUT_LENGTHS


@pytest.mark.parametrize(("size", "unit"), [(50.0, Unit.MM), (0.05, Unit.M), (2.0, Unit.INCH)])
def test_a_plausible_size_is_measured_in_mm(size: float, unit: Unit, tmp_path: Path) -> None:
    kind = reference_mesh(KINDS["rb-60"])
    mesh = stl_bytes(kind.vertices, kind.faces.astype(np.int64))
    (tmp_path / "rb-60.stl").write_bytes(mesh)
    entry = BodyEntry.model_validate({"id": "rb-60", "mesh": "rb-60.stl"})
    bodies = BodySet((BodyFile(entry, tmp_path / "rb-60.stl", hashlib.sha256(mesh).hexdigest()),))
    lying = bench(stl(patch(size)), unit=unit, bodies=bodies)
    assert lying.scan.vertices.max() == pytest.approx(size * (unit.in_mm or 1.0), rel=1e-6)
    assert {m.status for m in lying.run(RECORD_MEASURES, {})} == {Status.MEASURED}
