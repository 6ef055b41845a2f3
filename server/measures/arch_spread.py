"""`space.arch`: how far the implants are spread from front to back, and what hangs free behind the last of each side."""

from __future__ import annotations

from collections.abc import Sequence
from enum import StrEnum
from typing import Any

import numpy as np
from numpy.typing import NDArray
from pydantic import BaseModel, ConfigDict

from server.measures.against import Missing
from server.measures.bodies import BODIES
from server.measures.case_bench import CaseBench
from server.measures.frames import JOINT
from server.measures.governing import SitePosition, Source, positions_or_why
from server.measures.imprint_sites import IMPRINT_SITES
from server.measures.imprints import IMPRINTS
from server.measures.markers import MARKERS
from server.measures.measure import CaseMeasure, NotMeasured, Result
from server.measures.mouth import MOUTH, MouthResult
from server.measures.sites import SITES
from server.measures.space import SPACE
from server.metrology.bodies.reference import ReferenceBody
from server.metrology.constellation.poses import BALL_95
from server.metrology.space.spread import FEWEST, Spread, overhang_mm, spread_of
from server.records.case_form import CaseForm
from server.records.crown_widths import CROWN_WIDTHS_MM
from server.records.planned_teeth import planned_teeth
from server.records.roles import MESH_ROLES, Role
from server.records.teeth import Tooth, UnknownTooth, tooth_of

CROWN_SIGMA_MM = 0.5
"""Standard deviation of the width of one kind of crown between people: common practice, from memory."""
PLACE_SIGMA_MM = 0.65
"""Of how far from the middle of its crown an implant stands, as read from the order of all along the arch; our own proposal,
checked on phantoms."""
BEND_MM = 0.02
FOOT_MM = 0.6
LINE_95 = 1.96

Floats = NDArray[np.float64]


class Side(StrEnum):
    LEFT = "left"
    RIGHT = "right"


class Overhang(BaseModel):
    """What hangs free behind the last implant of a side, along the arch, from the distal aspect of its platform, mm.
    n_crowns: planned behind that over the implant; by_spread: as multiple of the spread to the distal aspects."""

    model_config = ConfigDict(frozen=True)

    side: Side
    site_index: int
    n_crowns: int
    length_mm: float
    u95_mm: float
    by_spread: float | None
    u95_by_spread: float | None


class ArchResult(Result):
    """spread_centres_mm: from the centre of the foremost implant to the line through the centres of the last of each side;
    spread_distal_mm: to the line through their distal aspects. foremost, ends: their sites. Where there is no spread or no
    overhang, `spread_missing` and `overhang_missing` say why."""

    source: Source | None = None
    foremost: int | None = None
    ends: tuple[int, ...] = ()
    spread_centres_mm: float | None = None
    spread_distal_mm: float | None = None
    u95_spread_mm: float | None = None
    spread_missing: Missing | None = None
    overhangs: tuple[Overhang, ...] = ()
    overhang_missing: Missing | None = None


def _measure(bench: CaseBench) -> ArchResult:
    joint = bench.together(JOINT)
    positions, missing = positions_or_why(bench, joint)
    mouth = _mouth(bench)
    if isinstance(mouth, Missing) or not positions:
        why = missing or (mouth if isinstance(mouth, Missing) else Missing(says="no implant was found"))
        return ArchResult(spread_missing=why, overhang_missing=why)
    kinds = {kind.id: kind for kind in next(iter(bench.records.values())).reference_bodies}
    radii = np.array([_platform_mm(kinds[p.body]) for p in positions])
    seats = np.array([p.seat for p in positions]).reshape(-1, 3)
    sign = 1.0 if mouth.left is None or float(np.array(mouth.left) @ mouth.arch.side) > 0.0 else -1.0
    to_left = sign * mouth.arch.along_mm(seats)
    room = bench.together(SPACE)
    occlusal = np.array(room.occlusal or mouth.occlusal)
    spread = spread_of(seats, radii, to_left, occlusal)
    turn = float(np.ptp(seats @ occlusal)) * float(np.radians(room.u95_occlusal_deg or 0.0))
    place = LINE_95 * float(np.hypot(max(p.u95_position_mm for p in positions) / BALL_95, BEND_MM))
    u95 = float(np.hypot(place, turn))
    ends = (int(np.argmin(to_left)), int(np.argmax(to_left)))
    overhangs, missing = _overhangs(bench, [(positions[k], radii[k]) for k in ends], spread, u95)
    told = ArchResult(
        source=positions[0].source,
        spread_missing=None if spread else Missing(says=f"fewer than {FEWEST} implants stand apart"),
        overhangs=overhangs,
        overhang_missing=missing,
    )
    if spread is None:
        return told
    return told.model_copy(
        update={
            "foremost": positions[spread.foremost].site_index,
            "ends": tuple(positions[k].site_index for k in spread.ends),
            "spread_centres_mm": spread.centres_mm,
            "spread_distal_mm": spread.distal_mm,
            "u95_spread_mm": u95,
        }
    )


def _mouth(bench: CaseBench) -> MouthResult | Missing:
    try:
        return bench.together(MOUTH)
    except NotMeasured as answer:
        return Missing(says=answer.says, because=answer.because)


def _platform_mm(kind: ReferenceBody) -> float:
    """Radius of a body where it sits."""
    foot = kind.points[kind.points[:, 2] < FOOT_MM]
    return float(np.hypot(foot[:, 0], foot[:, 1]).max()) if len(foot) else kind.reach_mm


def _overhangs(
    bench: CaseBench, ends: Sequence[tuple[SitePosition, float]], spread: Spread | None, u95_spread_mm: float
) -> tuple[tuple[Overhang, ...], Missing | None]:
    """ends: the last implant on the patient's right and on the left, each with the radius of its platform."""
    form = bench.form
    if not form.planned_teeth:
        return (), Missing(says="the form does not say which teeth are planned")
    if form.numbering is None or form.working_arch is None:
        return (), Missing(says="the form does not say which jaw or numbering it is", because="form/missing")
    try:
        planned = [
            t for t in planned_teeth(form.planned_teeth, form.numbering) if t.arch is form.working_arch
        ]
        own = [tooth_of(form.sites[p.site_index].tooth, form.numbering) for p, _ in ends]
    except UnknownTooth:
        return (), Missing(says="a tooth code is not known", because="form/tooth-code")
    if not planned:
        return (), Missing(
            says="none of the planned teeth is in the working jaw", because="form/arch-mismatch"
        )
    off = _off_their_crowns(bench)
    distal = (spread.distal_mm, u95_spread_mm) if spread else None
    made = []
    for side, (position, radius), tooth in zip((Side.RIGHT, Side.LEFT), ends, own, strict=True):
        to_side = off.get(position.site_index, 0.0) * (1.0 if side is Side.LEFT else -1.0)
        made.append(_overhang(side, position.site_index, (tooth, planned), to_side + radius, distal))
    return tuple(made), None


def _off_their_crowns(bench: CaseBench) -> dict[int, float]:
    """By site, how far the implant stands from the middle of its crown, mm, + toward the left; empty without a jaw scan."""
    try:
        return {site.site_index: site.off_mm for site in bench.together(SITES).sites}
    except NotMeasured:
        return {}


def _overhang(
    side: Side,
    site_index: int,
    teeth: tuple[Tooth, Sequence[Tooth]],
    distal_mm: float,
    spread: tuple[float, float] | None,
) -> Overhang:
    """teeth: that over the implant and those planned; distal_mm: how far its platform's distal aspect lies behind
    the middle of its crown; spread: in mm, with its uncertainty."""
    own, planned = teeth
    sign = 1 if side is Side.LEFT else -1
    behind = [t for t in planned if sign * t.place > sign * own.place]
    widths = np.array([_width_mm(t) for t in behind])
    reaches_it = any(sign * t.place >= sign * own.place for t in planned)
    length = overhang_mm(widths, _width_mm(own), distal_mm) if reaches_it else 0.0
    u95 = LINE_95 * float(np.sqrt((len(behind) + 0.25) * CROWN_SIGMA_MM**2 + PLACE_SIGMA_MM**2))
    ratio = length / spread[0] if spread and spread[0] > 0.0 else None
    return Overhang(
        side=side,
        site_index=site_index,
        n_crowns=len(behind),
        length_mm=length,
        u95_mm=u95,
        by_spread=ratio,
        u95_by_spread=float(np.hypot(u95, ratio * spread[1])) / spread[0]
        if spread and ratio is not None
        else None,
    )


def _width_mm(tooth: Tooth) -> float:
    return CROWN_WIDTHS_MM[tooth.arch][tooth.number - 1]


def _form_part(form: CaseForm) -> Any:
    return form.planned_teeth


SPREAD = CaseMeasure(
    name="space.arch",
    revision=3,
    result=ArchResult,
    roles=MESH_ROLES | {Role.MARKERS},
    compute=_measure,
    needs=(
        BODIES,
        IMPRINTS,
    ),
    builds_on=(SITES, IMPRINT_SITES, MARKERS, JOINT, MOUTH, SPACE),
    uses_bodies=True,
    form_part=_form_part,
)
