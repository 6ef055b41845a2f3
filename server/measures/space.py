"""`space.sites`: the room above each implant along its axis, in the joint frame: to the other jaw, to the denture's outer
surface, and where the screw channel comes out."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray
from pydantic import BaseModel, ConfigDict

from server.measures.against import Against, Missing, against
from server.measures.bench import RecordBench
from server.measures.bodies import BODIES
from server.measures.case_bench import CaseBench
from server.measures.facing import FACING
from server.measures.frames import JOINT
from server.measures.governing import SitePosition, Source, positions_or_why
from server.measures.imprint_sites import IMPRINT_SITES
from server.measures.imprints import IMPRINTS
from server.measures.markers import MARKERS
from server.measures.measure import CaseMeasure, NotMeasured, Result
from server.measures.mouth import MOUTH, MouthResult
from server.measures.sites import SITES
from server.measures.texture import TEXTURE
from server.measures.vectors import Vector3, vector
from server.metrology.constellation.poses import BALL_95, CONE_95
from server.metrology.rigid import angle_between_deg, apply, turn
from server.metrology.space.axis_rays import exits, first_met, open_channel
from server.metrology.space.fitted_place import way_to_fitted
from server.metrology.space.occlusal_plane import occlusal_of_teeth
from server.metrology.space.outer_face import Face, FacePlace, across_arch, face_at
from server.metrology.space.trials import Aim
from server.records.bodies import SeatLevel
from server.records.case_form import CaseForm
from server.records.roles import MESH_ROLES, Role

BEND_MM = 0.015
"""Standard deviation by which stitching bends a scan at a place, beyond what moves the whole: from 24-99 µm reported for
complete arches (doi 10.11607/ijp.7332; PMC11636004); our own proposal."""
ROUGH_OCCLUSAL_DEG, TEETH_OCCLUSAL_DEG = 12.0, 3.0
"""Expanded uncertainty of the occlusal direction as read from a jaw's ridge, and from the denture's teeth; our own proposal,
checked on phantoms."""

Floats = NDArray[np.float64]


class SiteRoom(BaseModel):
    """One site, mm. seat_mm, axis: in the joint frame; source: whose position it is. tilt_deg: of the axis to the occlusal
    direction. angle_to_come_deg: of an abutment that the body did not stand on, so that its channel goes another way. opposing_mm: seat to the other jaw along the axis, at opposing_at_mm of that record. thickness_mm: seat to
    where the axis leaves the denture, at exit_at_mm of that record, on that face; exit_normal: of the face there, likewise.
    is_open: the channel is open in the scan, and its rim was measured. crest_mm: from there to the edge or outer cusps;
    inside_mm: how far inside of these. Where a length is None, the words beside say why."""

    model_config = ConfigDict(frozen=True)

    site_index: int
    body: str
    source: Source
    seat_level: SeatLevel
    seat_mm: Vector3
    axis: Vector3
    u95_position_mm: float
    u95_axis_deg: float
    tilt_deg: float | None = None
    u95_tilt_deg: float | None = None
    angle_to_come_deg: float | None = None
    opposing_mm: float | None = None
    u95_opposing_mm: float | None = None
    opposing_at_mm: Vector3 | None = None
    opposing_says: str = ""
    thickness_mm: float | None = None
    u95_thickness_mm: float | None = None
    exit_at_mm: Vector3 | None = None
    exit_normal: Vector3 | None = None
    is_open: bool = False
    face: Face | None = None
    crest_mm: float | None = None
    u95_crest_mm: float | None = None
    inside_mm: float | None = None
    denture_says: str = ""


class SpaceResult(Result):
    """root: the file whose frame is the joint frame. sites: those whose position is known, in the form's order. opposing,
    denture: the files measured against; None where there was none to measure against, and then why. occlusal: unit, in the
    joint frame, square to the plane of the denture's teeth where these show, else as the mouth's ridge has it."""

    root: str
    sites: tuple[SiteRoom, ...]
    opposing: str | None
    denture: str | None
    positions_missing: Missing | None = None
    opposing_missing: Missing | None = None
    denture_missing: Missing | None = None
    mouth_missing: Missing | None = None
    occlusal: Vector3 | None = None
    u95_occlusal_deg: float | None = None

    def of(self, site_index: int) -> SiteRoom | None:
        return next((s for s in self.sites if s.site_index == site_index), None)


def _measure(bench: CaseBench) -> SpaceResult:
    joint = bench.together(JOINT)
    positions, positions_missing = positions_or_why(bench, joint)
    kinds = _any(bench).reference_bodies if positions else ()
    heights = {kind.id: kind.height_mm for kind in kinds}
    opposing, opposing_missing = against(bench, joint, Role.OPPOSING)
    denture, denture_missing = against(bench, joint, Role.DENTURE)
    mouth, mouth_missing = _mouth(bench)
    lie = None if mouth is None else _lie(mouth, denture)
    made = []
    for position in positions:
        room = _room(bench, position, lie)
        if room.angle_to_come_deg:
            says = f"the abutment's angle of {room.angle_to_come_deg:g}° is still to be added to the axis"
            made.append(room.model_copy(update={"opposing_says": says, "denture_says": says}))
            continue
        aim = aim_of(position)
        if opposing is not None:
            room = room.model_copy(update=_to_opposing(aim, opposing))
        if denture is not None:
            room = room.model_copy(update=_to_outside(aim, heights[position.body], denture, lie))
        made.append(room)
    return SpaceResult(
        root=joint.root,
        sites=tuple(made),
        positions_missing=positions_missing,
        opposing=opposing.file if opposing else None,
        denture=denture.file if denture else None,
        opposing_missing=opposing_missing,
        denture_missing=denture_missing,
        mouth_missing=mouth_missing,
        occlusal=vector(lie.occlusal) if lie else None,
        u95_occlusal_deg=lie.u95_deg if lie else None,
    )


def _any(bench: CaseBench) -> RecordBench:
    return next(iter(bench.records.values()))


def _mouth(bench: CaseBench) -> tuple[MouthResult | None, Missing | None]:
    try:
        return bench.together(MOUTH), None
    except NotMeasured as answer:
        return None, Missing(says=answer.says, because=answer.because)


def aim_of(position: SitePosition) -> Aim:
    """The axis to be drawn, with what stitching bends at its place."""
    sigma = float(np.hypot(position.u95_position_mm / BALL_95, BEND_MM))
    return Aim(position.seat, position.axis, sigma, float(np.radians(position.u95_axis_deg / CONE_95)))


@dataclass(frozen=True, slots=True)
class _Lie:
    """How the mouth lies in the joint frame, with the occlusal direction (3,) as well as it is known."""

    mouth: MouthResult
    occlusal: Floats
    u95_deg: float


def _lie(mouth: MouthResult, denture: Against | None) -> _Lie:
    rough = np.array(mouth.occlusal)
    if denture is not None:
        origin = apply(denture.back, np.array([mouth.origin_mm]))[0]
        side, front, up = turn(denture.back, np.stack([mouth.arch.side, mouth.front, rough]))
        frame = (origin, side, front, up)
        found = occlusal_of_teeth(denture.surface.tree, frame, mouth.curve, 0.4 * mouth.arch_width_mm)
        if found is not None:
            return _Lie(mouth, turn(denture.placed.motion, found[None])[0], TEETH_OCCLUSAL_DEG)
    return _Lie(mouth, rough, ROUGH_OCCLUSAL_DEG)


def _room(bench: CaseBench, position: SitePosition, lie: _Lie | None) -> SiteRoom:
    entry = _any(bench).bodies.entries[position.body]
    site = bench.form.sites[position.site_index]
    is_to_come = entry.seat_level is SeatLevel.IMPLANT and bool(site.abutment_angle_deg)
    return SiteRoom(
        site_index=position.site_index,
        body=position.body,
        source=position.source,
        seat_level=entry.seat_level,
        seat_mm=vector(position.seat),
        axis=vector(position.axis),
        u95_position_mm=position.u95_position_mm,
        u95_axis_deg=position.u95_axis_deg,
        tilt_deg=None if lie is None else angle_between_deg(position.axis, lie.occlusal),
        u95_tilt_deg=None if lie is None else float(np.hypot(position.u95_axis_deg, lie.u95_deg)),
        angle_to_come_deg=site.abutment_angle_deg if is_to_come else None,
    )


def _to_opposing(aim: Aim, opposing: Against) -> dict[str, Any]:
    rays = opposing.rays(aim)
    if rays is None:
        return {"opposing_says": "the bite does not hold the other jaw in every direction"}
    met = first_met(opposing.surface, rays.origins, rays.directions)
    u95 = opposing.u95_mm(rays, met)
    if u95 is None:
        return {"opposing_says": "its axis does not meet the other jaw as scanned"}
    origin, direction = rays.origins[0], rays.directions[0]
    way = way_to_fitted(opposing.surface, origin, direction, float(met.way_mm[0]), opposing.scatter_mm)
    at = origin + way * direction
    return {"opposing_mm": way, "u95_opposing_mm": u95, "opposing_at_mm": vector(at)}


def _to_outside(aim: Aim, covered_mm: float, denture: Against, lie: _Lie | None) -> dict[str, Any]:
    rays = denture.rays(aim)
    if rays is None:
        return {"denture_says": "nothing holds the denture in every direction"}
    covered = np.full(len(rays.origins), covered_mm)
    met = exits(denture.surface, rays.origins, rays.directions, covered)
    u95, way, is_open = denture.u95_mm(rays, met), float(met.way_mm[0]), False
    normal = (
        None
        if u95 is None
        else denture.surface.topology.vertex_normals[denture.surface.topology.scan.faces[met.facets[0], 0]]
    )
    if u95 is None:
        rim = open_channel(denture.surface, rays.origins[0], rays.directions[0], covered_mm)
        if rim is None:
            return {"denture_says": "its axis does not come out of the denture as scanned"}
        way, normal, is_open = rim.way_mm, rim.normal, True
        u95 = float(np.hypot(2.0 * rim.spread_mm, 2.0 * (aim.seat_sigma_mm + denture.scatter_mm)))
    at = rays.origins[0] + way * rays.directions[0]
    told: dict[str, Any] = {
        "thickness_mm": way,
        "u95_thickness_mm": u95,
        "exit_at_mm": vector(at),
        "exit_normal": vector(normal) if normal is not None else None,
        "is_open": is_open,
    }
    return told if lie is None else told | _on_face(_face(at, denture, lie), u95)


def _face(at: Floats, denture: Against, lie: _Lie) -> FacePlace | None:
    mouth = lie.mouth
    in_root = apply(denture.placed.motion, at[None])[0]
    frame = (np.array(mouth.origin_mm), np.asarray(mouth.arch.side), np.array(mouth.front))
    out = across_arch(in_root, frame, mouth.curve)
    out = out - (out @ lie.occlusal) * lie.occlusal
    up, outward = turn(denture.back, np.stack([lie.occlusal, out / np.linalg.norm(out)]))
    return face_at(denture.surface.tree, at, up, outward)


def _on_face(face: FacePlace | None, u95_exit_mm: float) -> dict[str, Any]:
    if face is None:
        return {}
    return {
        "face": face.face,
        "crest_mm": face.crest_mm,
        "u95_crest_mm": float(np.hypot(face.u95_mm, u95_exit_mm)),
        "inside_mm": face.inside_mm,
    }


def _form_part(form: CaseForm) -> Any:
    return [site.abutment_angle_deg for site in form.sites]


SPACE = CaseMeasure(
    name="space.sites",
    revision=3,
    result=SpaceResult,
    roles=MESH_ROLES | {Role.MARKERS},
    compute=_measure,
    needs=(BODIES, IMPRINTS, FACING, TEXTURE),
    builds_on=(SITES, IMPRINT_SITES, MARKERS, JOINT, MOUTH),
    uses_bodies=True,
    form_part=_form_part,
)
