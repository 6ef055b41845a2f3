"""A case without any scan of the working jaw: the denture and the implant positions yield positions and a positive."""

from __future__ import annotations

import csv
import io
import json
import zipfile
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pytest
import trimesh

from seed_data.phantoms.telling import truth_of
from seed_data.phantoms.truth import PhantomTruth, matrix
from server.handoff.package.archive import Papers, require_whole, write_package
from server.handoff.package.parts import make_parts
from server.inspection.folder import inspect_folder, read_folder
from server.inspection.report import Report
from server.metrology.rigid import apply
from server.records.roles import Role
from server.records.teeth import Arch
from tests.handoff.test_package import RELEASE
from tests.inspection.spoiling import Remembering, light_mouth, save_work
from tests.rules.good_set import NOW


@dataclass(frozen=True)
class Packed:
    truth: PhantomTruth
    report: Report
    path: Path

    @property
    def rows(self) -> list[dict[str, str]]:
        with zipfile.ZipFile(self.path) as archive:
            return list(csv.DictReader(io.StringIO(archive.read("positions/positions.csv").decode())))


@pytest.fixture(scope="module")
def packed(tmp_path_factory: pytest.TempPathFactory) -> Packed:
    folder = tmp_path_factory.mktemp("set")
    work = light_mouth(Arch.LOWER).in_random_frames().scanned
    save_work(folder, work, truth_of(work))
    form = json.loads((folder / "case.json").read_text())
    form["records"] = [r for r in form["records"] if r["role"] not in ("jaw", "tissue")]
    (folder / "case.json").write_text(json.dumps(form))
    record_set = read_folder(folder)
    made = inspect_folder(record_set, now=NOW, run=Remembering())
    parts = make_parts(record_set.form, record_set.records, made.measured, record_set.bodies)
    write_package(folder / "out.zip", parts, RELEASE, Papers(b"{}", b"%PDF-"))
    return Packed(truth_of(work), made.report, folder / "out.zip")


def _joint_from_denture(truth: PhantomTruth) -> np.ndarray:
    return matrix(next(r for r in truth.records if r.role is Role.DENTURE).T_joint_record)


def test_nothing_is_to_be_rescanned_and_what_was_not_measured_is_said(packed: Packed) -> None:
    assert {f.level.value for f in packed.report.findings} <= {"clear", "note", "look"}
    assert any("scan body" in line for line in packed.report.not_measured)


def test_positions_are_where_the_implants_are(packed: Packed) -> None:
    """Against the phantom's truth, in the denture's frame, which is the package's; within what each row states."""
    T = _joint_from_denture(packed.truth)
    assert [row["tooth"] for row in packed.rows] == [site.tooth for site in packed.truth.sites]
    for row, site in zip(packed.rows, packed.truth.sites, strict=True):
        seat = apply(T, np.array([[float(row[f"{d}_mm"]) for d in "xyz"]]))[0]
        axis = T[:3, :3] @ [float(row[f"axis_{d}"]) for d in "xyz"]
        assert row["source"] == "markers"
        assert np.linalg.norm(seat - site.seat_mm) < max(float(row["u95_position_mm"]), 0.03)
        assert np.degrees(np.arccos(min(1.0, float(axis @ site.axis)))) < max(float(row["u95_axis_deg"]), 0.1)


def test_the_positive_stands_for_the_tissue(packed: Packed) -> None:
    """The positive faces as tissue does, from the seats toward the occlusal side, and lies under the bodies."""
    require_whole(packed.path)
    with zipfile.ZipFile(packed.path) as archive:
        positive = trimesh.load_mesh(io.BytesIO(archive.read("scans/positive.stl")), file_type="stl")
        guide = archive.read("README.txt").decode()
    T = _joint_from_denture(packed.truth)
    up = T[:3, :3].T @ packed.truth.occlusal_in_joint
    assert float(positive.area_faces @ (positive.face_normals @ up)) > 0.4 * positive.area
    assert "the positive of the denture carries the tissue" in guide
