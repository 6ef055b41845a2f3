"""Implant positions that agree with the good jaw's bodies, to break one thing of."""

from __future__ import annotations

from typing import Any

from server.measures.bodies import BODIES, BodiesResult, BodySeen
from server.measures.markers import MARKERS, Distance, Hands, MarkerPose, MarkersResult, PairSeen, WaySeen
from server.measures.sites import SITES
from server.records.roles import Role
from server.rules.evidence import CaseEvidence
from tests.rules.good_set import case, measured, record
from tests.rules.standing import SEATS, UP, jaw, of_case, seen, sites


def pair(body: int, **changes: Any) -> PairSeen:
    good: dict[str, Any] = {
        "body": body,
        "marker": body,
        "shift_mm": (0.01, 0.0, 0.0),
        "residual_mm": 0.01,
        "u95_mm": 0.02,
        "u95_residual_mm": 0.02,
        "axis_deg": 0.1,
        "u95_axis_deg": 0.15,
        "left_out_mm": 0.02,
        "off_mm": 0.02,
        "off_u95_mm": 0.02,
        "off_deg": 0.1,
        "off_u95_deg": 0.15,
    }
    return PairSeen(**{**good, **changes})


def distance(off_mm: float, bodies: tuple[int, int] = (0, 3)) -> Distance:
    return Distance(bodies=bodies, off_mm=off_mm, off_deg=0.1, u95_mm=0.03)


def way(size_mm: float, name: str = "width") -> WaySeen:
    return WaySeen(way=name, size_mm=size_mm, u95_mm=0.05)


def told(**changes: Any) -> MarkersResult:
    markers = tuple(
        MarkerPose(tooth="", seat_mm=seat, axis=UP, clock=None, u95_position_mm=0.02, u95_axis_deg=0.15)
        for seat in SEATS
    )
    good: dict[str, Any] = {
        "jaw": "jaw.stl",
        "record": "markers.stl",
        "is_table": False,
        "n_bodies": 4,
        "markers": markers,
        "fits": True,
        "pairs": tuple(pair(k) for k in range(4)),
        "T_jaw_markers": ((1.0, 0, 0, 0), (0, 1.0, 0, 0), (0, 0, 1.0, 0), (0, 0, 0, 1.0)),
        "rms_mm": 0.01,
        "distances": (distance(0.02), distance(-0.01, (1, 2))),
        "scale_ratio": 1.0002,
        "scale_u95_ratio": 0.0006,
        "hand": Hands.SAME,
        "account": "none off",
        "odds": 40.0,
        "ways": (),
    }
    return MarkersResult(**{**good, **changes})


def positions(*shown: BodySeen, form: dict[str, Any] | None = None, **changes: Any) -> CaseEvidence:
    """The good case with positions; shown: the bodies of their mesh; changes: to what the comparison told."""
    bodies = shown or tuple(seen(k) for k in range(4))
    mesh = measured(BODIES, BodiesResult(bodies=bodies, catalogue=("rb-45", "rb-60"), is_turned=False))
    made = case(jaw(), record(mesh, role=Role.MARKERS, file="markers.stl"), **(form or {}))
    return CaseEvidence(
        form=made.form,
        records=made.records,
        now=made.now,
        bodies=made.bodies,
        measurements={
            SITES.name: of_case(SITES, sites(tuple(seen(k) for k in range(4)))),
            MARKERS.name: of_case(MARKERS, told(**changes)),
        },
    )
