"""`frames.mouth`: which way the mouth lies in the joint frame: where it bites, where its front is, which side is left.

Read from the jaw scan without its bodies, else from the tissue, else from the opposing jaw, which looks the other way: the
first of them that shows its front for sure. A closed denture alone does not show which way it bites.
"""

from __future__ import annotations

from operator import attrgetter

import numpy as np
from numpy.typing import NDArray

from server.measures.arch import arch_without_bodies, plain_arch
from server.measures.bodies import BODIES
from server.measures.case_bench import CaseBench
from server.measures.facing import FACING
from server.measures.frames import JOINT, JointResult
from server.measures.measure import CaseMeasure, NotMeasured, Result
from server.measures.vectors import Vector3, vector
from server.metrology.arch import ArchFrame
from server.metrology.rigid import apply
from server.records.roles import Role
from server.records.teeth import Arch

TELLING = (Role.JAW, Role.TISSUE, Role.OPPOSING)

Floats = NDArray[np.float64]


class MouthResult(Result):
    """Directions are unit vectors in the frame of the record `root`, at right angles. occlusal: from the working jaw toward
    the opposing one. front: toward the lips. left: toward the patient's left; None where the form does not say which jaw is
    worked on. told_by: the record they were read from. origin_mm and curve: front = a + b x + c x², x along front x
    occlusal from the origin, the crest of that record's jaw.
    """

    root: str
    told_by: str
    occlusal: Vector3
    front: Vector3
    left: Vector3 | None
    origin_mm: Vector3
    curve: tuple[float, float, float]
    arch_width_mm: float
    arch_depth_mm: float

    @property
    def arch(self) -> ArchFrame:
        """The arch in the root's frame; its occlusal direction is the mouth's."""
        return ArchFrame(
            occlusal=np.array(self.occlusal),
            front=np.array(self.front),
            origin_mm=np.array(self.origin_mm),
            curve=self.curve,
            width_mm=self.arch_width_mm,
            depth_mm=self.arch_depth_mm,
            advantage=float("inf"),
        )

    @property
    def T_mouth_root(self) -> Floats:  # noqa: N802 - a transform, named as all are
        """(4, 4): into a frame with x = front x occlusal, y to the front, z occlusal, about the arch's origin."""
        T = np.eye(4)
        T[:3, :3] = np.stack([self.arch.side, self.front, self.occlusal])
        T[:3, 3] = -T[:3, :3] @ np.array(self.origin_mm)
        return T


def _measure(bench: CaseBench) -> MouthResult:
    joint = bench.together(JOINT)
    for role in TELLING:
        for file in bench.files_of(role):
            arch = _arch_of(bench, file, role)
            placed = joint.of(file)
            if arch is not None and arch.is_front_sure and placed is not None and placed.T_root_record:
                return _result(bench, joint, file, role, arch)
    raise NotMeasured("no record shows which way the mouth lies")


def _arch_of(bench: CaseBench, file: str, role: Role) -> ArchFrame | None:
    try:
        if role is Role.JAW:
            return arch_without_bodies(bench.records[file], bench.result(file, BODIES))
        bench.result(file, FACING)
        return plain_arch(bench.records[file])
    except NotMeasured:
        return None


def _result(bench: CaseBench, joint: JointResult, file: str, role: Role, arch: ArchFrame) -> MouthResult:
    placed = joint.of(file)
    assert placed is not None
    T = np.array(placed.T_root_record)
    is_other = role is Role.OPPOSING
    occlusal = T[:3, :3] @ arch.occlusal * (-1.0 if is_other else 1.0)
    front = T[:3, :3] @ arch.front
    jaw = bench.form.working_arch
    left = None if jaw is None else np.cross(occlusal, front) * (-1.0 if jaw is Arch.UPPER else 1.0)
    a, b, c = arch.curve
    return MouthResult(
        root=joint.root,
        told_by=file,
        occlusal=vector(occlusal),
        front=vector(front),
        left=None if left is None else vector(left),
        origin_mm=vector(apply(T, arch.origin_mm[None])[0]),
        curve=(a, -b if is_other else b, c),
        arch_width_mm=arch.width_mm,
        arch_depth_mm=arch.depth_mm,
    )


MOUTH = CaseMeasure(
    name="frames.mouth",
    revision=2,
    result=MouthResult,
    roles=frozenset(TELLING),
    compute=_measure,
    needs=(BODIES, FACING),
    builds_on=(JOINT,),
    form_part=attrgetter("working_arch"),
)
