"""The room above the good form's implants as it was measured, to break one thing of."""

from __future__ import annotations

from typing import Any

from server.measures.against import Missing
from server.measures.arch_spread import SPREAD, ArchResult, Overhang, Side
from server.measures.governing import Source
from server.measures.space import SPACE, SiteRoom, SpaceResult
from server.measures.walls import WALLS, SiteWall, WallsResult
from server.metrology.space.outer_face import Face
from server.records.bodies import SeatLevel
from server.rules.evidence import CaseEvidence
from tests.rules.standing import SEATS, UP, of_case, standing


def room(site: int, **changes: Any) -> SiteRoom:
    good: dict[str, Any] = {
        "site_index": site,
        "body": "rb-60",
        "source": Source.MARKERS,
        "seat_level": SeatLevel.ABUTMENT,
        "seat_mm": SEATS[site],
        "axis": UP,
        "u95_position_mm": 0.02,
        "u95_axis_deg": 0.2,
        "tilt_deg": 5.0,
        "u95_tilt_deg": 3.0,
        "opposing_mm": 16.0,
        "u95_opposing_mm": 0.1,
        "opposing_at_mm": (0.0, 0.0, 16.0),
        "thickness_mm": 14.0,
        "u95_thickness_mm": 0.1,
        "exit_at_mm": (0.0, 0.0, 14.0),
        "exit_normal": UP,
        "face": Face.CHEWING,
        "crest_mm": 3.5,
        "u95_crest_mm": 0.3,
        "inside_mm": 3.5,
    }
    return SiteRoom(**{**good, **changes})


def wall(site: int, **changes: Any) -> SiteWall:
    good: dict[str, Any] = {
        "site_index": site,
        "wall_mm": 2.6,
        "u95_mm": 0.06,
        "at_mm": (4.6, 0.0, 3.0),
        "channel_wall_mm": 1.2,
        "u95_channel_mm": 0.06,
    }
    return SiteWall(**{**good, **changes})


def overhang(side: Side, site: int, **changes: Any) -> Overhang:
    good: dict[str, Any] = {
        "side": side,
        "site_index": site,
        "n_crowns": 0,
        "length_mm": 3.0,
        "u95_mm": 1.1,
        "by_spread": 0.15,
        "u95_by_spread": 0.05,
    }
    return Overhang(**{**good, **changes})


def arch(*overhangs: Overhang, **changes: Any) -> ArchResult:
    hanging = overhangs or (overhang(Side.RIGHT, 3), overhang(Side.LEFT, 0))
    good: dict[str, Any] = {
        "source": Source.MARKERS,
        "foremost": 1,
        "ends": (3, 0),
        "spread_centres_mm": 18.0,
        "spread_distal_mm": 20.0,
        "u95_spread_mm": 0.1,
        "overhangs": hanging,
    }
    return ArchResult(**{**good, **changes})


def roomy(
    *rooms: SiteRoom,
    walls: tuple[SiteWall, ...] = (),
    spread: ArchResult | None = None,
    space: dict[str, Any] | None = None,
    no_walls: Missing | None = None,
    **form: Any,
) -> CaseEvidence:
    """The good case with room at every site; rooms and walls: instead of those of their sites; space: changes to the result;
    form: to the form."""
    instead = {r.site_index: r for r in rooms}
    thin = {w.site_index: w for w in walls}
    good: dict[str, Any] = {
        "root": "jaw.stl",
        "sites": tuple(instead.get(k, room(k)) for k in range(4)),
        "opposing": "opposing.stl",
        "denture": "denture.stl",
        "occlusal": UP,
        "u95_occlusal_deg": 3.0,
    }
    measured_walls = WallsResult(
        denture=None if no_walls else "denture.stl",
        missing=no_walls,
        sites=() if no_walls else tuple(thin.get(k, wall(k)) for k in range(4)),
    )
    made = standing(**form)
    together = {
        **made.measurements,
        SPACE.name: of_case(SPACE, SpaceResult(**{**good, **(space or {})})),
        WALLS.name: of_case(WALLS, measured_walls),
        SPREAD.name: of_case(SPREAD, spread or arch()),
    }
    return CaseEvidence(
        form=made.form, records=made.records, now=made.now, measurements=together, bodies=made.bodies
    )
