"""A phantom's truth against the files it is told of, read back by the readers, and against the mouth's own solids."""

from __future__ import annotations

from functools import cache, partial

import numpy as np
import pytest
from numpy.typing import NDArray

from seed_data.phantoms.mesher import gradient
from seed_data.phantoms.phantom import draft_work, run_stages
from seed_data.phantoms.rigid import frame_on, move, rigid
from seed_data.phantoms.scanner import scan
from seed_data.phantoms.solids import Placed, body_field
from seed_data.phantoms.telling import truth_of
from seed_data.phantoms.truth import Pose, RecordTruth, matrix
from seed_data.phantoms.work import Work
from server.metrology.readers import read_scan
from server.records.roles import Role
from server.records.teeth import Arch
from tests.inspection.spoiling import light_mouth

Floats = NDArray[np.float64]
SOLIDS = (Role.JAW, Role.TISSUE, Role.DENTURE, Role.OPPOSING)
ARCHES = pytest.mark.parametrize("arch", list(Arch))


@cache
def _work(arch: Arch) -> Work:
    return light_mouth(arch).in_random_frames().scanned


@cache
def _records(arch: Arch) -> dict[str, RecordTruth]:
    return {record.file: record for record in truth_of(_work(arch)).records}


@cache
def _in_joint(arch: Arch, key: str) -> Floats:
    """Points of a record's file as a reader gives them, in mm, led to the joint frame by the truth."""
    plan = _work(arch).files[key]
    record = _records(arch)[plan.name]
    points = read_scan(plan.data, plan.name).scan.vertices * (plan.unit.in_mm or 1.0)
    return move(matrix(record.T_joint_record), points)


def _solid(work: Work, role: Role) -> partial[Floats]:
    return partial(getattr(work.mouth, role.value).distance)


@ARCHES
def test_transforms_are_rigid_and_lead_to_the_jaw(arch: Arch) -> None:
    records = _records(arch)
    T_joint_jaw = matrix(next(r for r in records.values() if r.role is Role.JAW).T_joint_record)
    frames = [matrix(record.T_joint_record) for record in records.values()]
    for record, T in zip(records.values(), frames, strict=True):
        assert T[:3, :3] @ T[:3, :3].T == pytest.approx(np.eye(3), abs=1e-12)
        assert np.linalg.det(T[:3, :3]) == pytest.approx(1.0, abs=1e-12)
        assert T_joint_jaw @ matrix(record.T_jaw_record) == pytest.approx(T, abs=1e-9)
    assert len({T.tobytes() for T in frames}) == len(frames)


@ARCHES
@pytest.mark.parametrize("role", SOLIDS, ids=lambda role: role.value)
def test_the_file_lies_on_the_solid_it_was_scanned_from(arch: Arch, role: Role) -> None:
    """Median 0 to within the drift; 99 % within the noise's triple and the drift at the far end. What the scan adds
    (tags at the border, dust) is the last percent."""
    work = _work(arch)
    points = _in_joint(arch, work.key_of(role))
    record = _records(arch)[work.files[work.key_of(role)].name]
    assert record.noise is not None
    assert record.drift_end_mm is not None
    f, g = gradient(_solid(work, role), points)
    off_mm = f / np.maximum(np.linalg.norm(g, axis=1), 0.2)
    rms_mm = float(np.hypot(record.noise.white_mm, record.noise.correlated_mm))
    drift_mm = float(np.linalg.norm(record.drift_end_mm))
    assert abs(float(np.median(off_mm))) < 0.5 * drift_mm + 0.002
    assert np.quantile(np.abs(off_mm), 0.95) < 2.5 * rms_mm + drift_mm + 0.01


@ARCHES
@pytest.mark.parametrize("key", ["jaw", "tissue", "denture", "opposing", "bite-left", "bite-right"])
def test_noise_has_the_stated_level(arch: Arch, key: str) -> None:
    """Along the surface's normal, after the drift and the parts' own motion are taken off."""
    work = _work(arch)
    draft = work.drafts[key]
    expected = draft.true_mm + draft.settings.drift.at(work.subjects[key].s_of(draft.true_mm))
    known = np.isfinite(draft.true_mm[:, 0]) & (draft.label < 0)
    if draft.settings.part_moves:
        known &= (work.mouth.denture.distance(np.nan_to_num(draft.true_mm)) < 1e-3) & known
    lift = np.einsum("ij,ij->i", draft.vertices_mm - expected, draft.normals)[known]
    noise = draft.settings.noise
    assert np.sqrt(np.mean(lift**2)) == pytest.approx(noise.rms_mm, rel=0.12)


@ARCHES
def test_bodies_stand_where_the_truth_says(arch: Arch) -> None:
    """The reference solid, put at the stated pose in the file's frame, passes through the points caught on it."""
    work = _work(arch)
    draft, record = work.drafts["jaw"], _records(arch)[work.files["jaw"].name]
    assert [pose.site_index for pose in record.bodies] == list(range(len(work.mouth.sites)))
    points = draft.in_file()
    for pose in record.bodies:
        own = points[draft.label == pose.site_index]
        off_mm = body_field(Placed(pose.body, _pose(pose)), own, rounding_mm=work.mouth.jaw.rounding_mm)
        assert len(own) > 300
        assert np.sqrt(np.mean(off_mm**2)) < 1.3 * draft.settings.noise.rms_mm
        assert abs(float(off_mm.mean())) < 0.004


@ARCHES
def test_markers_stand_where_the_bodies_do(arch: Arch) -> None:
    """Photogrammetry is told with an error of a few microns and hundredths of a degree, and is no worse."""
    work = _work(arch)
    record = _records(arch)[work.files["markers"].name]
    T = matrix(record.T_joint_record)
    for pose in record.bodies:
        placed = work.mouth.placed[pose.site_index]
        assert np.linalg.norm(move(T, np.array(pose.seat_mm)) - placed.seat_mm) < 0.0061
        assert T[:3, :3] @ np.array(pose.axis) == pytest.approx(placed.axis, abs=np.radians(0.061))


@ARCHES
def test_the_impression_side_is_the_counterpart_of_the_jaw(arch: Arch) -> None:
    """Where the denture meets the jaw it lies on its surface and looks the other way, over tissue and bodies."""
    work = _work(arch)
    draft = work.drafts["denture"]
    points, normals = draft.true_mm, draft.normals
    f, g = gradient(work.mouth.jaw.distance, points)
    meets = np.abs(f) < 0.002
    assert 0.2 < meets.mean() < 0.5
    facing = np.einsum("ij,ij->i", normals, g / np.linalg.norm(g, axis=1, keepdims=True))
    assert np.quantile(facing[meets], 0.99) < -0.7
    assert np.median(facing[meets]) < -0.98
    for placed in work.mouth.placed:
        assert (np.abs(body_field(placed, points[meets])) < 0.2).sum() > 200


@ARCHES
def test_no_two_records_share_a_point(arch: Arch) -> None:
    seen: dict[bytes, str] = {}
    for key in _work(arch).drafts:
        for row in np.round(_in_joint(arch, key), 4).astype(np.float32):
            other = seen.setdefault(row.tobytes(), key)
            assert other == key


@ARCHES
def test_a_clean_bite_closes(arch: Arch) -> None:
    bite = truth_of(_work(arch)).bite
    assert bite is not None
    assert matrix(bite.T_opposing_moved).tolist() == np.eye(4).tolist()
    assert 0.0 < bite.gap_left_mm < 0.1
    assert 0.0 < bite.gap_right_mm < 0.1


def test_another_seed_or_take_gives_another_record() -> None:
    work = light_mouth(Arch.LOWER).planned
    subject, settings = work.subjects["tissue"], work.settings["tissue"]
    one, again = scan(5, subject, settings), scan(5, subject, settings, take="2")
    other = scan(6, subject, settings)
    assert len({_digest(draft.vertices_mm) for draft in (one, again, other)}) == 3
    first, second = (
        draft_work(seed, None, None, random_frames=False, detail=0.6, noise_um=None) for seed in (1, 2)
    )
    assert first.form["patient_code"] != second.form["patient_code"]
    assert not np.array_equal(first.mouth.placed[0].seat_mm, second.mouth.placed[0].seat_mm)


def test_noise_is_as_asked() -> None:
    work = draft_work(9, 4, None, random_frames=False, detail=0.6, noise_um=15.0)
    assert work.device.noise.rms_mm == pytest.approx(0.015, rel=1e-9)
    work.subjects = {"tissue": work.subjects["tissue"]}
    work.files, work.markers = {"tissue": work.files["tissue"]}, None
    run_stages(work, [])
    assert 0.85 * 0.015 <= work.drafts["tissue"].settings.noise.rms_mm <= 0.015


def _pose(pose: Pose) -> Floats:
    return rigid(frame_on(np.array(pose.axis), np.array(pose.clock)), np.array(pose.seat_mm))


def _digest(points: Floats) -> bytes:
    return points.tobytes()
