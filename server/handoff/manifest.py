"""What a release says of itself: what it rests on, and in its package, every file with where it came from."""

from __future__ import annotations

from datetime import datetime
from typing import Any, Literal

from pydantic import BaseModel, ConfigDict, Field

from server.inspection.report import SheetName
from server.measures.vectors import Vector3
from server.rules.finding import Finding

Rows = tuple[tuple[float, ...], ...]


class ManifestPart(BaseModel):
    model_config = ConfigDict(frozen=True, populate_by_name=True, serialize_by_alias=True)


class ReleasedRecord(ManifestPart):
    file: str
    role: str
    unit: str
    body: str | None
    sha256: str
    size_bytes: int


class Accepted(ManifestPart):
    """A finding that somebody of the lab accepted, in whose words."""

    rule: str
    level: str
    records: tuple[str, ...]
    sites: tuple[str, ...]
    reason: str
    by: str
    has_consent: bool
    at: datetime

    @staticmethod
    def of(finding: Finding, *, reason: str, by: str, has_consent: bool, at: datetime) -> Accepted:
        """That finding, accepted."""
        return Accepted(
            rule=finding.rule,
            level=finding.level.value,
            records=finding.records,
            sites=finding.sites,
            reason=reason,
            by=by,
            has_consent=has_consent,
            at=at,
        )


class Manifest(ManifestPart):
    """What a release rests on."""

    schema_: Literal["archproof.release/1"] = Field(default="archproof.release/1", alias="schema")
    case_id: str
    patient_code: str
    round: int
    released_at: datetime
    released_by: str
    software: str
    sheet: SheetName
    form: dict[str, Any]
    records: tuple[ReleasedRecord, ...]
    accepted: tuple[Accepted, ...]
    not_measured: tuple[str, ...]


class PackedFile(ManifestPart):
    """One file of the package. For a surface: role (a record's, or body), the file it was made from, the unit applied to
    that, whether what certainly lay inside out was turned, and T_joint_source: rows, from the source in mm to the joint
    frame; empty where it could not be placed, and `says` why. volume_mm3: of closed surfaces."""

    path: str
    sha256: str
    size_bytes: int
    role: str = ""
    source: str = ""
    unit_mm: float | None = None
    is_turned: bool = False
    T_joint_source: Rows = ()
    n_facets: int | None = None
    area_mm2: float | None = None
    volume_mm3: float | None = None
    says: str = ""


class LeftOut(ManifestPart):
    """A record of which no surface is in the package, and why."""

    file: str
    role: str
    says: str


class JointFrame(ManifestPart):
    """The frame of everything in place, mm. root: the record whose file frame it is. Directions are unit vectors."""

    root: str
    occlusal: Vector3 | None
    front: Vector3 | None
    patients_left: Vector3 | None


class PackageManifest(Manifest):
    """manifest.json of a package: the release and every other file in it. no_positions: why it holds none."""

    joint_frame: JointFrame
    no_positions: str
    left_out: tuple[LeftOut, ...]
    files: tuple[PackedFile, ...]
