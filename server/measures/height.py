"""`vertical.surfaces`: how the height of the bite has changed since before treatment, from surfaces alone.

A scan from before is laid on what did not change (palate, ridge ends, remaining teeth). It tells the height only together
with how the other jaw stood to it then. That is known where one file shows both jaws closed, where two files from before
share a frame, one of each jaw, or where the opposing scan came in the frame of the scan from before and not in that of today.
A scan of the working jaw alone says nothing of the height, nor do files that all came in one frame.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from enum import StrEnum

import numpy as np
from numpy.typing import NDArray
from pydantic import BaseModel, ConfigDict

from server.measures.against import Missing, against
from server.measures.case_bench import CaseBench
from server.measures.facing import FACING
from server.measures.frames import JOINT, STITCHING_MM, JointResult
from server.measures.measure import CaseMeasure, NotMeasured, Result
from server.measures.mouth import MOUTH, MouthResult
from server.measures.relation import RELATION, TOLD, Came, RelationResult
from server.measures.space import ROUGH_OCCLUSAL_DEG, SPACE
from server.measures.vectors import Vector3, vector
from server.metrology.registration.joining import Relation
from server.metrology.rigid import angle_deg, apply, inverse, turn
from server.metrology.space.outer_face import crest_place
from server.records.roles import MESH_ROLES, Role

FAR_MM, FAR_DEG = 12.0, 12.0
"""How far a jaw may have moved to the other between the two bites; beyond it, two files did not share a frame."""
MOLAR_SHARE = 0.42
"""How far from the midline molars stand, as a share of the arch's width."""
BEFORE_RIDGE_MM = 6.0
"""About how far before the ridge edges of front teeth stand."""
BEND_MM = 0.02

Floats = NDArray[np.float64]


class Known(StrEnum):
    """How it is known where the other jaw stood before."""

    BOTH_JAWS = "one scan from before shows both jaws"
    TWO_FILES = "two scans from before share a frame"
    OPPOSING_FRAME = "the opposing scan came in the frame of the scan from before"


class ChangeAt(BaseModel):
    """Change of height at one place of the joint frame, along the occlusal direction, mm, + opened."""

    model_config = ConfigDict(frozen=True)

    at_mm: Vector3
    change_mm: float
    u95_mm: float


class HeightResult(Result):
    """before: the files used; opposing: the scan of the other jaw. incisors, molars_left, molars_right: the change there. Where
    `missing` says why not, the rest is empty."""

    before: tuple[str, ...] = ()
    opposing: str | None = None
    known: Known | None = None
    incisors: ChangeAt | None = None
    molars_left: ChangeAt | None = None
    molars_right: ChangeAt | None = None
    missing: Missing | None = None


@dataclass(frozen=True, slots=True)
class _Old:
    """How the opposing scan lay in the joint frame before: root from opposing."""

    relation: Relation
    files: tuple[str, ...]
    known: Known


def _measure(bench: CaseBench) -> HeightResult:
    if not bench.files_of(Role.BEFORE):
        return HeightResult(missing=Missing(says="no scan from before treatment came"))
    joint = bench.together(JOINT)
    opposing, missing = against(bench, joint, Role.OPPOSING)
    if opposing is None or opposing.placed.held is None:
        return HeightResult(missing=missing)
    new = Relation(opposing.placed.motion, opposing.placed.held.certainty)
    old = next(_old_relations(bench, joint, opposing.file, new), None)
    if old is None:
        return HeightResult(opposing=opposing.file, missing=Missing(says=_why(bench, joint)))
    try:
        mouth = bench.together(MOUTH)
    except NotMeasured as answer:
        return HeightResult(missing=Missing(says=answer.says, because=answer.because))
    up = _occlusal(bench, mouth)
    front, *molars = _places(mouth)
    places = (_at_edge(bench, joint, mouth, up, front), *molars)
    incisors, right, left = (_change(old.relation, new, up, place) for place in places)
    return HeightResult(
        before=old.files,
        opposing=opposing.file,
        known=old.known,
        incisors=incisors,
        molars_left=left,
        molars_right=right,
    )


def _old_relations(bench: CaseBench, joint: JointResult, opposing: str, new: Relation) -> Iterator[_Old]:
    """Every way to know where the opposing jaw stood, the surest first."""
    working = {file: r for file in bench.files_of(Role.BEFORE) if (r := _on_working(bench, joint, file))}
    other = {
        file: r
        for file in bench.files_of(Role.BEFORE)
        if (r := _on_opposing(bench, file, opposing)) is not None
    }
    for file, lies in working.items():
        if file in other:
            yield _Old(other[file].reversed().then(lies), (file,), Known.BOTH_JAWS)
    for file, lies in working.items():
        for second, theirs in other.items():
            old = theirs.reversed().then(lies)
            if second != file and _is_near(bench, opposing, old, new):
                yield _Old(old, (file, second), Known.TWO_FILES)
    placed = joint.of(opposing)
    for file, lies in working.items():
        own_frame = not (placed is not None and placed.is_delivered) and not _came_so(joint, file)
        if own_frame and _is_near(bench, opposing, lies, new):
            yield _Old(lies, (file,), Known.OPPOSING_FRAME)


def _on_working(bench: CaseBench, joint: JointResult, file: str) -> Relation | None:
    """How a scan from before lies in the joint frame, where it was laid on the working jaw."""
    placed = joint.of(file)
    roles = {other: bench.records[other].role for other in bench.records}
    on_jaw = any(
        link.moving == file and link.came in TOLD and roles[link.fixed] in (Role.JAW, Role.TISSUE)
        for link in joint.links
    )
    if placed is None or not placed.T_root_record or placed.held is None or not on_jaw:
        return None
    return Relation(placed.motion, placed.held.certainty)


def _on_opposing(bench: CaseBench, file: str, opposing: str) -> Relation | None:
    """How a scan from before lies on the opposing scan: opposing from before."""
    try:
        result: RelationResult = bench.pair(RELATION, file, opposing)
    except NotMeasured:
        return None
    if not result.is_told or result.held is None:
        return None
    return Relation(result.motion, result.held.certainty.widened(STITCHING_MM))


def _came_so(joint: JointResult, file: str) -> bool:
    """Whether a scan from before came in the frame of the jaw that it was laid on."""
    return any(link.moving == file and link.came is Came.DELIVERED for link in joint.links)


def _is_near(bench: CaseBench, opposing: str, old: Relation, new: Relation) -> bool:
    """Whether the other jaw can have moved so between the two bites."""
    between = old.T @ inverse(new.T)
    at = apply(new.T, bench.records[opposing].scan.vertices.mean(axis=0)[None])
    return bool(np.linalg.norm(apply(between, at) - at) < FAR_MM and angle_deg(between) < FAR_DEG)


@dataclass(frozen=True, slots=True)
class _Up:
    """The occlusal direction (3,), and how far it may be off."""

    direction: Floats
    u95_rad: float


def _occlusal(bench: CaseBench, mouth: MouthResult) -> _Up:
    """From the denture's teeth where these were measured, else as the ridge has it."""
    space = bench.together_or_none(SPACE)
    if space is None or space.occlusal is None or space.u95_occlusal_deg is None:
        return _Up(np.array(mouth.occlusal), float(np.radians(ROUGH_OCCLUSAL_DEG)))
    return _Up(np.array(space.occlusal), float(np.radians(space.u95_occlusal_deg)))


def _places(mouth: MouthResult) -> tuple[Floats, Floats, Floats]:
    """(3,) in the joint frame: at the incisors, and at the molars on the patient's right and left."""
    a, b, c = mouth.curve
    half = MOLAR_SHARE * mouth.arch_width_mm
    sign = 1.0 if mouth.left is None or float(np.array(mouth.left) @ mouth.arch.side) > 0.0 else -1.0
    middle = -b / (2.0 * c) if abs(c) > 1e-9 else 0.0

    def at(x: float) -> Floats:
        along, ahead = x * mouth.arch.side, (a + b * x + c * x * x) * np.array(mouth.front)
        return np.asarray(np.array(mouth.origin_mm) + along + ahead)

    return at(middle), at(middle - sign * half), at(middle + sign * half)


def _at_edge(bench: CaseBench, joint: JointResult, mouth: MouthResult, up: _Up, front: Floats) -> Floats:
    """The denture's edge in the midline, where its scan shows one; else the ridge there, which lies farther back."""
    denture, _ = against(bench, joint, Role.DENTURE)
    if denture is None:
        return front
    ahead = np.array(mouth.front)
    start = apply(denture.back, (front + BEFORE_RIDGE_MM * ahead)[None])[0]
    ahead = ahead - (ahead @ up.direction) * up.direction
    along, out = turn(denture.back, np.stack([up.direction, ahead / np.linalg.norm(ahead)]))
    found = crest_place(denture.surface.tree, start, along, out)
    return front if found is None else apply(denture.placed.motion, found[None])[0]


def _change(old: Relation, new: Relation, up: _Up, place: Floats) -> ChangeAt:
    moved = place - apply(old.T @ inverse(new.T), place[None])[0]
    change = float(up.direction @ moved)
    aside = float(np.linalg.norm(moved - change * up.direction))
    parts = [relation.certainty.u95_along_mm(place, up.direction) for relation in (old, new)]
    u95 = float(np.linalg.norm([*parts, 1.96 * BEND_MM, aside * np.sin(up.u95_rad)]))
    return ChangeAt(at_mm=vector(place), change_mm=change, u95_mm=u95)


def _why(bench: CaseBench, joint: JointResult) -> str:
    """Why no scan from before tells the height."""
    files = bench.files_of(Role.BEFORE)
    if not any(_on_working(bench, joint, file) for file in files):
        return "no scan from before could be laid on the working jaw"
    if any(_came_so(joint, file) for file in files):
        return (
            "the scan from before shows the working jaw alone, and came in the frame of today's; where the other jaw stood to it "
            "is not said"
        )
    return "the scan from before shows the working jaw alone; where the other jaw stood to it is not said"


HEIGHT = CaseMeasure(
    name="vertical.surfaces",
    revision=2,
    result=HeightResult,
    roles=MESH_ROLES,
    compute=_measure,
    needs=(FACING,),
    pairs=(RELATION,),
    builds_on=(JOINT, MOUTH, SPACE),
)
