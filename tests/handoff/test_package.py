"""A package of a phantom whose truth is known: read back by general-purpose libraries, every record where it belongs."""

from __future__ import annotations

import csv
import hashlib
import io
import json
import zipfile
from collections.abc import Callable
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import igl
import numpy as np
import pytest
import trimesh

from seed_data.phantoms.telling import truth_of
from seed_data.phantoms.truth import PhantomTruth, matrix
from server.handoff.manifest import Accepted, Manifest, PackageManifest
from server.handoff.package.archive import Papers, require_whole, write_package
from server.handoff.package.parts import SCENE, Parts, make_parts
from server.handoff.package.pieces import PackageBroken
from server.inspection.folder import read_folder
from server.inspection.measuring import measure_case, measure_record
from server.inspection.report import SheetName
from server.measures.measure import Measurement
from server.metrology.rigid import apply
from server.records.marker_table import read_marker_table
from server.records.roles import Role
from server.records.teeth import Arch
from tests.inspection.spoiling import light_mouth, save_work

RELEASE = Manifest(
    case_id="c1",
    patient_code="R-1042",
    round=2,
    released_at=datetime(2031, 5, 4, 10, 0, tzinfo=UTC),
    released_by="Tomas Wrede",
    software="archproof 0",
    sheet=SheetName(name="same-day provisional", version=1),
    form={},
    records=(),
    accepted=(
        Accepted(
            rule="markers/missing",
            level="look",
            records=(),
            sites=("34",),
            reason="A try-in is planned.",
            by="Tomas Wrede",
            has_consent=False,
            at=datetime(2031, 5, 4, 9, 50, tzinfo=UTC),
        ),
    ),
    not_measured=("the weather",),
)


PAPERS = Papers(b"{}", b"%PDF-")


@dataclass(frozen=True)
class Packed:
    truth: PhantomTruth
    parts: Parts
    path: Path
    manifest: PackageManifest

    def read(self, name: str) -> bytes:
        with zipfile.ZipFile(self.path) as archive:
            return archive.read(name)

    def of_role(self, role: Role) -> Any:
        return next(file for file in self.manifest.files if file.role == role.value)


@pytest.fixture(scope="module")
def packed(tmp_path_factory: pytest.TempPathFactory) -> Packed:
    """One mouth in random frames, whose opposing jaw was sent inside out."""
    folder = tmp_path_factory.mktemp("set")
    work = light_mouth(Arch.LOWER).in_random_frames().scanned
    truth = truth_of(work)
    save_work(folder, work, truth)
    record_set = read_folder(folder)
    made: list[Measurement] = []
    for record in record_set.records:
        made += measure_record(record, (), record_set.bodies)
    made += measure_case(record_set.form, record_set.records, {}, tuple(made), record_set.bodies)
    parts = make_parts(record_set.form, record_set.records, tuple(made), record_set.bodies)
    path = folder / "out.zip"
    return Packed(truth, parts, path, write_package(path, parts, RELEASE, PAPERS))


def test_every_file_is_what_the_manifest_says(packed: Packed) -> None:
    assert require_whole(packed.path) == packed.manifest
    for file in packed.manifest.files:
        data = packed.read(file.path)
        assert (hashlib.sha256(data).hexdigest(), len(data)) == (file.sha256, file.size_bytes)
    sources = {file.source for file in packed.manifest.files if file.role not in ("", "body")}
    assert sources >= {r.file for r in packed.truth.records if r.role is not Role.MARKERS}


def test_records_lie_where_they_belong(packed: Packed) -> None:
    """Against the phantom's own transforms, at the corners of each record, in the jaw's frame. The joint frame is the
    jaw's; drift of the scans counts as error here (0.05-0.1 mm at their ends)."""
    jaw = next(r for r in packed.truth.records if r.role is Role.JAW)
    assert packed.manifest.joint_frame.root == jaw.file
    for truth in packed.truth.records:
        if truth.role is Role.MARKERS:
            continue
        file = next(f for f in packed.manifest.files if f.source == truth.file and f.role == truth.role.value)
        assert file.path.startswith("scans/")
        mesh = trimesh.load_mesh(io.BytesIO(packed.read(file.path)), file_type=file.path.rpartition(".")[2])
        corners = mesh.bounding_box.vertices
        said, true = np.array(file.T_joint_source), matrix(truth.T_jaw_record)
        back = apply(np.linalg.inv(said), corners)
        assert np.abs(apply(true, back) - corners).max() < 0.2, truth.file


def test_surfaces_are_read_back_by_others(packed: Packed, tmp_path: Path) -> None:
    """trimesh and libigl read the same facets, areas and volumes that the manifest states; STL and PLY hold single
    precision, hence 1e-5."""
    for file in packed.manifest.files:
        if file.n_facets is None:
            continue
        path = tmp_path / file.path.replace("/", "-")
        path.write_bytes(packed.read(file.path))
        mesh = trimesh.load_mesh(path, process=False)
        assert len(mesh.faces) == file.n_facets
        assert mesh.area == pytest.approx(file.area_mm2, rel=1e-5)
        v, f = igl.read_triangle_mesh(str(path))
        assert len(f) == file.n_facets
        assert igl.doublearea(v, f).sum() / 2.0 == pytest.approx(file.area_mm2, rel=1e-5)
        if file.volume_mm3 is not None:
            assert mesh.volume == pytest.approx(file.volume_mm3, rel=1e-4)


def test_one_3mf_holds_everything_in_place(packed: Packed) -> None:
    scene = trimesh.load(io.BytesIO(packed.read(SCENE)), file_type="3mf")
    placed = [f for f in packed.manifest.files if f.T_joint_source]
    assert len(scene.geometry) == len(placed)
    assert scene.units in (None, "millimeter", "mm")
    names = {f.path.rpartition("/")[2].rpartition(".")[0]: f for f in placed}
    for name, mesh in scene.geometry.items():
        assert len(mesh.faces) == names[name].n_facets
        assert mesh.area == pytest.approx(names[name].area_mm2, rel=1e-5)


def test_the_positive_stands_for_the_tissue(packed: Packed) -> None:
    """It lies on the tissue scan and faces the same way: mean distance below the relief of a reline (0.15 mm here)."""
    file = next(f for f in packed.manifest.files if f.role == "positive")
    positive = trimesh.load_mesh(io.BytesIO(packed.read(file.path)), file_type="stl")
    tissue_file = packed.of_role(Role.TISSUE)
    ending = tissue_file.path.rpartition(".")[2]
    tissue = trimesh.load_mesh(io.BytesIO(packed.read(tissue_file.path)), file_type=ending)
    distance, facets, _ = igl.point_mesh_squared_distance(
        np.asarray(positive.triangles_center[::20]), np.asarray(tissue.vertices), np.asarray(tissue.faces)
    )
    near = np.sqrt(distance) < 0.5
    assert near.mean() > 0.5
    alike = np.einsum("ij,ij->i", positive.face_normals[::20][near], tissue.face_normals[facets[near]])
    assert np.median(alike) > 0.9
    assert np.median(np.sqrt(distance[near])) < 0.15


def test_positions_come_from_the_implant_positions_and_lie_at_their_bodies(packed: Packed) -> None:
    rows = json.loads(packed.read("positions/positions.json"))["sites"]
    assert [row["site_index"] for row in rows] == [site.site_index for site in packed.truth.sites]
    assert {row["source"] for row in rows} == {"markers"}
    jaw = next(r for r in packed.truth.records if r.role is Role.JAW)
    for row, body in zip(rows, jaw.bodies, strict=True):
        assert np.linalg.norm(np.array(row["seat_mm"]) - body.seat_mm) < 0.12
        assert row["jaw_off_mm"] < 0.12
        assert row["u95_position_mm"] < 0.1
    table = list(csv.DictReader(io.StringIO(packed.read("positions/positions.csv").decode())))
    assert [float(line["x_mm"]) for line in table] == pytest.approx(
        [row["seat_mm"][0] for row in rows], abs=1e-6
    )


def test_the_table_is_one_that_is_read_as_implant_positions(packed: Packed) -> None:
    text = packed.read("positions/positions.csv").decode()
    few = "\n".join(",".join(line.split(",")[:10]) for line in text.splitlines()) + "\n"
    assert [row.tooth for row in read_marker_table(few.encode()).rows] == [
        s.tooth for s in packed.truth.sites
    ]


def test_reference_bodies_stand_at_their_sites(packed: Packed) -> None:
    bodies = [file for file in packed.manifest.files if file.role == "body"]
    assert len(bodies) == len(packed.parts.positions)
    for row, file in zip(packed.parts.positions, bodies, strict=True):
        mesh = trimesh.load_mesh(io.BytesIO(packed.read(file.path)), file_type="stl")
        along = (mesh.vertices - row.seat_mm) @ np.array(row.axis)
        aside = np.linalg.norm((mesh.vertices - row.seat_mm) - np.outer(along, row.axis), axis=1)
        assert along.min() > -0.05
        assert along.max() > 3.0
        assert aside.max() < 4.0


def test_the_same_content_gives_the_same_bytes(packed: Packed, tmp_path: Path) -> None:
    again = tmp_path / "again.zip"
    write_package(again, packed.parts, RELEASE, PAPERS)
    assert again.read_bytes() == packed.path.read_bytes()


def _cut(path: Path) -> None:
    path.write_bytes(path.read_bytes()[:-400])


def _with_another_file(path: Path) -> None:
    with zipfile.ZipFile(path, "a") as archive:
        archive.writestr("scans/other.stl", b"x")


def _with_another_text(path: Path) -> None:
    with zipfile.ZipFile(path) as archive:
        held = {name: archive.read(name) for name in archive.namelist()}
    held["README.txt"] += b" "
    with zipfile.ZipFile(path, "w") as archive:
        for name, data in held.items():
            archive.writestr(name, data)


@pytest.mark.parametrize("spoil", [_cut, _with_another_file, _with_another_text])
def test_an_archive_that_is_not_whole_is_refused(
    packed: Packed, tmp_path: Path, spoil: Callable[[Path], None]
) -> None:
    path = tmp_path / "spoiled.zip"
    path.write_bytes(packed.path.read_bytes())
    spoil(path)
    with pytest.raises(PackageBroken):
        require_whole(path)


def test_the_guide_says_frame_sources_acceptances_and_what_was_not_measured(packed: Packed) -> None:
    text = packed.read("README.txt").decode()
    jaw = next(r for r in packed.truth.records if r.role is Role.JAW)
    for words in (jaw.file, "photogrammetry", "A try-in is planned.", "The weather.", "not a diagnosis"):
        assert words in text
