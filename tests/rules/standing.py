"""Scan bodies as a good jaw scan gives them, one at each of the good form's sites, to break one thing of."""

from __future__ import annotations

from typing import Any

import numpy as np

from server.measures.bodies import BODIES, BodiesResult, BodySeen, KindSeen
from server.measures.measure import CaseMeasure, Measurement, Result, Status
from server.measures.sites import SITES, Neighbours, SiteBody, SitesResult
from server.records.roles import Role
from server.rules.evidence import CaseEvidence, RecordEvidence
from tests.rules.good_set import case, given_up, measured, record

SEATS = ((22.0, 0.0, 0.0), (9.0, 18.0, 0.0), (-9.0, 18.0, 0.0), (-22.0, 0.0, 0.0))
UP = (0.0, 0.0, 1.0)
AHEAD = (1.0, 0.0, 0.0)


def kind(body: str = "rb-60", explained_mm2: float = 84.0) -> KindSeen:
    return KindSeen(
        body=body, explained_mm2=explained_mm2, rms_mm=0.015, seat_mm=SEATS[0], axis=UP, clock=AHEAD
    )


def seen(number: int = 0, **changes: Any) -> BodySeen:
    good: dict[str, Any] = {
        "body": "rb-60",
        "seat_mm": SEATS[number],
        "axis": UP,
        "clock": AHEAD,
        "u95_position_mm": 0.006,
        "u95_axis_deg": 0.1,
        "u95_clock_deg": 0.3,
        "rms_mm": 0.015,
        "n_points": 800,
        "white_mm": 0.014,
        "alike_mm": 0.004,
        "spacing_mm": 0.28,
        "coverage_ratio": 0.97,
        "by_eighth": (0.95,) * 8,
        "by_height": ((0.95,) * 8,) * 6,
        "beneath_ratio": 0.05,
        "top_ratio": 1.0,
        "index_ratio": 1.0,
        "kinds": (kind(), kind("rb-45", 30.0)),
    }
    return BodySeen(**{**good, **changes})


def of_case(measure: CaseMeasure[Any], result: Result) -> Measurement:
    return Measurement(
        key="c",
        measure=measure.name,
        revision=measure.revision,
        status=Status.MEASURED,
        result=result.model_dump(mode="json"),
    )


def neighbours(bodies: tuple[BodySeen, ...]) -> tuple[Neighbours, ...]:
    pairs = [(i, j) for i in range(len(bodies)) for j in range(i + 1, len(bodies))]
    return tuple(
        Neighbours(
            numbers=pair,
            clearance_mm=float(np.linalg.norm(np.subtract(bodies[pair[0]].seat_mm, bodies[pair[1]].seat_mm)))
            - 4.5,
            angle_deg=12.0,
            u95_angle_deg=0.15,
        )
        for pair in pairs
    )


def sites(bodies: tuple[BodySeen, ...], **changes: Any) -> SitesResult:
    good: dict[str, Any] = {
        "record": "jaw.stl",
        "n_bodies": len(bodies),
        "sites": tuple(SiteBody(site_index=k, number=k, off_mm=0.5) for k in range(min(len(bodies), 4))),
        "empty_sites": tuple(range(len(bodies), 4)),
        "extra": tuple(range(4, len(bodies))),
        "is_clear": True,
        "untold": "",
        "untold_because": "",
        "is_front_sure": True,
        "is_better_mirrored": False,
        "pairs": neighbours(bodies),
        "occlusal": UP,
        "front": (0.0, 1.0, 0.0),
        "arch_width_mm": 52.0,
        "arch_depth_mm": 38.0,
    }
    return SitesResult(**{**good, **changes})


def jaw(*bodies: BodySeen) -> RecordEvidence:
    shown = bodies or tuple(seen(k) for k in range(4))
    return record(measured(BODIES, BodiesResult(bodies=shown, catalogue=("rb-45", "rb-60"), is_turned=False)))


def standing(*bodies: BodySeen, told: dict[str, Any] | None = None, **changes: Any) -> CaseEvidence:
    """The good case with these bodies in its jaw scan; told: changes to which is which; changes: of the form."""
    shown = bodies or tuple(seen(k) for k in range(4))
    made = case(jaw(*shown), **changes)
    return CaseEvidence(
        form=made.form,
        records=made.records,
        now=made.now,
        bodies=made.bodies,
        measurements={SITES.name: of_case(SITES, sites(shown, **(told or {})))},
    )


def unmeasured() -> CaseEvidence:
    """A case whose jaw scan could not be read."""
    return case(record(given_up(BODIES, "file/truncated"), role=Role.JAW))
