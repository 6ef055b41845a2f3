"""`denture.walls`: what is left of the denture beside each scan body and its screw channel."""

from __future__ import annotations

from contextlib import suppress

import numpy as np
from numpy.typing import NDArray
from pydantic import BaseModel, ConfigDict

from server.measures.against import Against, Missing, against
from server.measures.bodies import BODIES
from server.measures.case_bench import CaseBench
from server.measures.facing import FACING
from server.measures.frames import JOINT, JointResult
from server.measures.governing import SitePosition, positions_or_why
from server.measures.imprint_sites import IMPRINT_SITES
from server.measures.imprints import IMPRINTS
from server.measures.markers import MARKERS
from server.measures.measure import CaseMeasure, NotMeasured, Result
from server.measures.sides import SIDES
from server.measures.sites import SITES
from server.measures.space import SPACE, SpaceResult
from server.measures.texture import TEXTURE
from server.measures.vectors import Vector3, vector
from server.metrology.bodies.reference import ReferenceBody
from server.metrology.bvh import BoxTree
from server.metrology.constellation.poses import BALL_95, CONE_95
from server.metrology.registration.surface import Surface
from server.metrology.rigid import apply
from server.metrology.scan import Scan
from server.metrology.space.walls import Standing, Wall, Walls, least_walls
from server.metrology.topology import topology_of
from server.records.roles import MESH_ROLES, Role

BEND_MM = 0.02
"""Standard deviation by which stitching moves denture and bodies to each other at a place, over what moves the whole; our own
proposal."""
LINE_95 = 1.96
AROUND_MM = 12.0

Floats = NDArray[np.float64]


class SiteWall(BaseModel):
    """The least wall beside the body of one site, mm, and where it ends on the denture's outer side (that record's frame);
    likewise beside its screw channel above the body. None where no outer side is near."""

    model_config = ConfigDict(frozen=True)

    site_index: int
    wall_mm: float | None
    u95_mm: float | None
    at_mm: Vector3 | None
    channel_wall_mm: float | None
    u95_channel_mm: float | None


class WallsResult(Result):
    """denture: the file; None where there was none to measure. missing: why no wall was measured at all. sites: those whose
    position is known."""

    denture: str | None
    missing: Missing | None
    sites: tuple[SiteWall, ...]

    def of(self, site_index: int) -> SiteWall | None:
        return next((s for s in self.sites if s.site_index == site_index), None)


def _measure(bench: CaseBench) -> WallsResult:
    joint = bench.together(JOINT)
    positions, positions_missing = positions_or_why(bench, joint)
    denture, missing = against(bench, joint, Role.DENTURE)
    if denture is None or positions_missing is not None:
        file = denture.file if denture else None
        return WallsResult(denture=file, missing=missing or positions_missing, sites=())
    kinds = {kind.id: kind for kind in next(iter(bench.records.values())).reference_bodies}
    rooms = bench.together(SPACE)
    standing = [_standing(p, kinds[p.body], denture, rooms) for p in positions]
    laid_on = _laid_on(bench, joint, denture)
    impression = _impression(bench, denture)
    found = []
    for k, position in enumerate(positions):
        others = [other for i, other in enumerate(standing) if i != k]
        near = [_near(scan, standing[k]) for scan in laid_on]
        lay = [surface for surface in near if surface is not None]
        walls = least_walls(denture.surface, standing[k], others, lay, impression, denture.scatter_mm)
        found.append(_site(position, walls, denture))
    return WallsResult(denture=denture.file, missing=None, sites=tuple(found))


def _standing(position: SitePosition, kind: ReferenceBody, denture: Against, rooms: SpaceResult) -> Standing:
    room = rooms.of(position.site_index)
    is_known = room is not None and room.thickness_mm is not None and room.exit_normal is not None
    return Standing(
        kind=kind,
        T=denture.back @ position.T,
        leaves_mm=room.thickness_mm if room is not None and is_known else None,
        leaves_normal=np.array(room.exit_normal) if room is not None and is_known else None,
    )


def _laid_on(bench: CaseBench, joint: JointResult, denture: Against) -> list[Scan]:
    """The jaw and tissue scans in the denture's frame: what its impression side lay on."""
    found = []
    for role in (Role.JAW, Role.TISSUE):
        for file in bench.files_of(role):
            placed = joint.of(file)
            if placed is None or not placed.T_root_record:
                continue
            with suppress(NotMeasured):
                scan = bench.records[file].outward.topology.scan
                found.append(Scan(apply(denture.back @ placed.motion, scan.vertices), scan.faces))
    return found


def _impression(bench: CaseBench, denture: Against) -> NDArray[np.bool_] | None:
    """The facets of the impression side, where that could be told from the denture alone."""
    try:
        sides = bench.result(denture.file, SIDES)
    except NotMeasured:
        return None
    return sides.is_impression if sides.is_sure else None


def _near(scan: Scan, body: Standing) -> Surface | None:
    """The part of a surface about a body."""
    middle = body.T[:3, 3] + 0.5 * body.kind.height_mm * body.T[:3, 2]
    close = ((scan.vertices - middle) ** 2).sum(axis=1) < AROUND_MM**2
    faces = scan.faces[close[scan.faces].any(axis=1)]
    if len(faces) == 0:
        return None
    part = topology_of(scan.part(faces))
    return Surface(part, BoxTree(part.scan))


def _site(position: SitePosition, walls: Walls, denture: Against) -> SiteWall:
    body, channel = walls.body, walls.channel
    return SiteWall(
        site_index=position.site_index,
        wall_mm=body.wall_mm if body else None,
        u95_mm=_u95_mm(position, body, denture) if body else None,
        at_mm=vector(body.at) if body else None,
        channel_wall_mm=channel.wall_mm if channel else None,
        u95_channel_mm=_u95_mm(position, channel, denture) if channel else None,
    )


def _u95_mm(position: SitePosition, wall: Wall, denture: Against) -> float:
    """Of a length between two surfaces: how body and denture are held at its place, how the denture's points scatter."""
    assert denture.placed.held is not None
    at = apply(denture.placed.motion, wall.at[None])[0]
    arm = float(np.linalg.norm(at - position.seat))
    held = denture.placed.held.certainty.u95_mm(at) / BALL_95
    body = position.u95_position_mm / BALL_95
    tilt = arm * float(np.radians(position.u95_axis_deg / CONE_95))
    return LINE_95 * float(np.sqrt(held**2 + body**2 + tilt**2 + BEND_MM**2 + denture.scatter_mm**2))


WALLS = CaseMeasure(
    name="denture.walls",
    revision=5,
    result=WallsResult,
    roles=MESH_ROLES | {Role.MARKERS},
    compute=_measure,
    needs=(BODIES, IMPRINTS, FACING, SIDES, TEXTURE),
    builds_on=(SITES, IMPRINT_SITES, MARKERS, JOINT, SPACE),
    uses_bodies=True,
)
