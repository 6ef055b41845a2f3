"""What is true of a phantom, as it is written into truth.json beside the record set.

Points, directions and poses of a record are in that record's file frame, mm, whatever unit the file is written in.
"""

from __future__ import annotations

from pathlib import Path
from typing import Any, Literal

import numpy as np
from numpy.typing import NDArray
from pydantic import BaseModel, ConfigDict, Field

from server.records.roles import Role, Unit
from server.records.teeth import Arch, Numbering
from server.rules.limit import Level

Vector = tuple[float, float, float]
Rows = tuple[tuple[float, float, float, float], ...]


class TruthPart(BaseModel):
    model_config = ConfigDict(extra="forbid", frozen=True)


class Expectation(TruthPart):
    """What one fault must lead to: the rule that speaks, how loudly, about which record, site and place.

    value: what the rule should measure, within value_within. place_mm: in the record's file frame, within
    place_within_mm. also: rules that may speak as well, because the fault is theirs too.
    """

    fault: str
    rule: str
    level: Level
    record: str | None = None
    site_index: tuple[int, ...] = ()
    place_mm: Vector | None = None
    place_within_mm: float | None = None
    value: float | None = None
    value_within: float | None = None
    unit: str = ""
    also: tuple[str, ...] = ()
    says: str = ""


class Pose(TruthPart):
    """A scan body as one record shows it. coverage_ratio: the share of what stands above the tissue that was captured."""

    site_index: int
    tooth: str
    body: str
    seat_mm: Vector
    axis: Vector
    clock: Vector
    coverage_ratio: float = 1.0


class NoiseTruth(TruthPart):
    white_mm: float
    correlated_mm: float
    patch_mm: float


class RecordTruth(TruthPart):
    """One record. T_joint_record leads from its file frame to the joint frame, T_jaw_record to the jaw record's file
    frame; both rigid. bodies: as scanned, with the drift that the scan has. is_inside_out: per record as written."""

    file: str
    role: Role
    unit: Unit
    format: str
    n_faces: int | None = None
    spacing_mm: float | None = None
    noise: NoiseTruth | None = None
    drift_end_mm: Vector | None = None
    T_joint_record: Rows
    T_jaw_record: Rows
    bodies: tuple[Pose, ...] = ()
    is_inside_out: bool = False
    inside_out_share: float = 0.0
    area_mm2: float | None = None
    volume_mm3: float | None = None
    hole_diameters_mm: tuple[float, ...] = ()
    island_areas_mm2: tuple[float, ...] = ()
    double_layer_mm2: float = 0.0
    T_record_relation_error: Rows | None = None
    """For a bite scan: by which motion (joint frame) the other jaw stands off its true place in it."""


class SiteTruth(TruthPart):
    """One implant in the joint frame, and the room above it. exit_mm: where the channel leaves the denture."""

    site_index: int
    tooth: str
    body: str
    seat_mm: Vector
    axis: Vector
    clock: Vector
    tilt_deg: float
    seat_to_opposing_mm: float | None
    seat_to_outer_mm: float | None
    exit_mm: Vector | None
    exit_is_facial: bool


class BiteTruth(TruthPart):
    """T_joint_opposing_shift: how far the opposing jaw was moved from where it closes (identity when clean).
    gaps: least distance of the back teeth, + apart, - inside."""

    T_opposing_moved: Rows
    gap_left_mm: float
    gap_right_mm: float


class PhantomTruth(TruthPart):
    schema_: Literal["archproof.phantom/1"] = Field(default="archproof.phantom/1", alias="schema")
    seed: int
    detail: float
    arch: Arch
    numbering: Numbering
    random_frames: bool
    occlusal_in_joint: Vector = (0.0, 0.0, 1.0)
    front_in_joint: Vector = (0.0, 1.0, 0.0)
    patients_left_in_joint: Vector
    sites: tuple[SiteTruth, ...]
    divergence_deg: float
    clearance_mm: float
    bite: BiteTruth | None
    vertical_change_mm: float | None
    records: tuple[RecordTruth, ...]
    faults: tuple[Expectation, ...] = ()

    model_config = ConfigDict(extra="forbid", frozen=True, populate_by_name=True, serialize_by_alias=True)

    def record(self, role: Role) -> RecordTruth:
        """The first record of a role. Raises KeyError where there is none."""
        for entry in self.records:
            if entry.role is role:
                return entry
        raise KeyError(role)


def read_truth(folder: Path) -> PhantomTruth:
    """The truth of a phantom on disk."""
    return PhantomTruth.model_validate_json((folder / "truth.json").read_bytes())


def vector(v: NDArray[np.float64]) -> Vector:
    """Three numbers as they are kept: rounded to a nanometre."""
    return (round(float(v[0]), 9), round(float(v[1]), 9), round(float(v[2]), 9))


def rows(T: NDArray[np.float64]) -> Rows:
    return tuple((float(r[0]), float(r[1]), float(r[2]), float(r[3])) for r in T)


def matrix(T: Rows) -> NDArray[np.float64]:
    made: Any = np.array(T, dtype=np.float64)
    return np.asarray(made, dtype=np.float64)
