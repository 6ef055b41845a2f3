"""Which way a mouth lies, against phantoms that know it, in frames that tell nothing."""

from __future__ import annotations

from functools import cache

import numpy as np
import pytest

from seed_data.phantoms.telling import truth_of
from seed_data.phantoms.truth import PhantomTruth, matrix
from server.measures.bench import RecordBench
from server.measures.case_bench import CaseBench
from server.measures.frames import JointResult, Placed
from server.measures.measure import Measurement, Status
from server.measures.mouth import MOUTH, MouthResult, _arch_of, _result
from server.measures.relation import rows_of
from server.metrology.rigid import Array, inverse, turn
from server.records.case_form import CaseForm
from server.records.roles import Role
from server.records.teeth import Arch
from tests.inspection.spoiling import light_mouth


@cache
def _records(arch: Arch) -> tuple[PhantomTruth, dict[Role, RecordBench]]:
    work = light_mouth(arch).in_random_frames().scanned
    truth = truth_of(work)
    data = {plan.name: plan.data for plan in work.files.values()}
    return truth, {
        r.role: RecordBench(data[r.file] or b"", file_name=r.file, role=r.role, unit=r.unit)
        for r in truth.records
        if r.role in (Role.JAW, Role.TISSUE, Role.OPPOSING, Role.DENTURE)
    }


def _made(arch: Arch, *roles: Role, form: CaseForm | None = None) -> Measurement:
    _, records = _records(arch)
    form = CaseForm(working_arch=arch) if form is None else form
    return CaseBench(form, {records[r].file_name: records[r] for r in roles}, {}).run((MOUTH,), {})[0]


def _told(arch: Arch, *roles: Role) -> tuple[MouthResult, Array]:
    """What is told, and the true turn from the joint frame into the root's."""
    made = _made(arch, *roles)
    assert made.status is Status.MEASURED, made.says
    result = MouthResult.model_validate(made.result)
    truth, _ = _records(arch)
    (root,) = (r for r in truth.records if r.file == result.root)
    return result, inverse(matrix(root.T_joint_record))


def _off_deg(said: object, T: Array, true: tuple[float, float, float]) -> float:
    a, b = np.array(said), turn(T, np.array(true))
    return float(np.degrees(np.arctan2(np.linalg.norm(np.cross(a, b)), a @ b)))


@pytest.mark.parametrize("arch", list(Arch))
@pytest.mark.parametrize("role", [Role.TISSUE, Role.OPPOSING])
def test_directions_are_the_mouths_own(arch: Arch, role: Role) -> None:
    """The opposing jaw alone is its own root, and looks the other way."""
    result, T = _told(arch, role) if role is Role.TISSUE else _of_opposing(arch)
    truth, _ = _records(arch)
    assert _off_deg(result.occlusal, T, truth.occlusal_in_joint) < 12.0
    assert _off_deg(result.front, T, truth.front_in_joint) < 12.0
    assert _off_deg(result.left, T, truth.patients_left_in_joint) < 12.0
    assert np.linalg.det(result.T_mouth_root[:3, :3]) == pytest.approx(1.0)


def _of_opposing(arch: Arch) -> tuple[MouthResult, Array]:
    """Told by the opposing jaw, for a tissue scan of which too little is there to show an arch: the direction is asked of the
    measure's parts, in the opposing jaw's own frame."""
    truth, records = _records(arch)
    file = records[Role.OPPOSING].file_name
    bench = CaseBench(CaseForm(working_arch=arch), {file: records[Role.OPPOSING]}, {})
    joint = JointResult(root=file, records=(Placed(file=file, T_root_record=rows_of(np.eye(4))),), links=())
    arch_frame = _arch_of(bench, file, Role.OPPOSING)
    assert arch_frame is not None
    (record,) = (r for r in truth.records if r.file == file)
    return _result(bench, joint, file, Role.OPPOSING, arch_frame), inverse(matrix(record.T_joint_record))


def test_left_is_not_told_without_the_jaw_that_is_worked_on() -> None:
    made = _made(Arch.LOWER, Role.TISSUE, form=CaseForm())
    assert MouthResult.model_validate(made.result).left is None


def test_a_denture_alone_does_not_show_which_way_it_bites() -> None:
    made = _made(Arch.LOWER, Role.DENTURE)
    assert made.status is Status.NOT_MEASURED
    assert "which way the mouth lies" in made.says
