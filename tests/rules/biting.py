"""Jaws that bite as in a good case, to break one thing of."""

from __future__ import annotations

from typing import Any

import numpy as np

from server.measures.bite_contact import (
    BITE_CONTACT,
    BiteContactResult,
    ContactSeen,
    Depth,
    PlanSeen,
    RegionSeen,
)
from server.measures.bite_regions import Region
from server.measures.bite_relation import (
    BITE_RELATION,
    Amount,
    BiteRelationResult,
    BiteSeen,
    Departs,
    ShiftAt,
    Spot,
)
from server.measures.frames import Link, Placed
from server.measures.relation import Came, Held
from server.metrology.bite.plan import CELL_MM, plan_of
from server.records.roles import Role
from server.rules.evidence import CaseEvidence
from tests.rules.good_set import form
from tests.rules.joined import STILL, joined, link
from tests.rules.standing import of_case

AT = {Region.LEFT: (-22.0, 4.0, 8.0), Region.RIGHT: (22.0, 4.0, 8.0), Region.FRONT: (0.0, 30.0, 8.0)}
HELD = Held(
    covariance=tuple(tuple(1e-8 * float(i == k) for k in range(6)) for i in range(6)),
    centre_mm=(0.0, 10.0, 8.0),
    freedom=1000,
    arm_mm=20.0,
    loose=(),
)


def amount(value: float, u95: float = 0.03) -> Amount:
    return Amount(value=value, u95=u95)


def shift(spot: Spot, left: float, front: float, apart: float, u95: float) -> ShiftAt:
    return ShiftAt(
        spot=spot,
        at_mm=(0.0, 10.0, 8.0),
        left_mm=amount(left, u95),
        front_mm=amount(front, u95),
        apart_mm=amount(apart, u95),
        size_mm=amount(float(np.linalg.norm([left, front, apart])), u95),
    )


def departs(
    left: float = 0.01,
    front: float = 0.0,
    apart: float = 0.0,
    tilt_deg: float = 0.02,
    against: tuple[str, ...] = (),
    u95: float = 0.03,
) -> Departs:
    none = amount(0.0, 0.06)
    return Departs(
        against=against,
        shifts=tuple(shift(spot, left, front, apart, u95) for spot in Spot),
        tilt_deg=amount(tilt_deg, 0.06),
        opens_deg=none,
        leans_deg=none,
        turns_deg=none,
    )


def bite(file: str = "bite-1.stl", **changes: Any) -> BiteSeen:
    good: dict[str, Any] = {
        "file": file,
        "working_residual_mm": 0.012,
        "opposing_residual_mm": 0.014,
        "T_working_opposing": STILL,
        "departs": departs(),
    }
    return BiteSeen(**{**good, **changes})


def relation(*bites: BiteSeen, **changes: Any) -> BiteRelationResult:
    good: dict[str, Any] = {
        "working": "denture.stl",
        "working_role": Role.DENTURE,
        "opposing": "opposing.stl",
        "is_delivered": True,
        "T_working_opposing": STILL,
        "T_root_working": STILL,
        "held": HELD,
        "left": (-1.0, 0.0, 0.0),
        "front": (0.0, 1.0, 0.0),
        "occlusal": (0.0, 0.0, 1.0),
        "bites": bites or (bite(),),
        "between": (),
    }
    return BiteRelationResult(**{**good, **changes})


def region(which: Region, least_mm: float | None = 0.02, mean_mm: float | None = None) -> RegionSeen:
    is_met = least_mm is not None and least_mm <= 0.1
    return RegionSeen(
        region=which,
        least_mm=None if least_mm is None else amount(least_mm),
        least_at_mm=None if least_mm is None else AT[which],
        mean_mm=None if least_mm is None else amount(mean_mm or least_mm),
        by_tooth_mm=() if least_mm is None else ((5, least_mm), (6, least_mm)),
        contact_mm2=6.0 if is_met else 0.0,
    )


def contact_at(which: Region) -> ContactSeen:
    tooth = {Region.LEFT: 5, Region.RIGHT: -5, Region.FRONT: 1}[which]
    return ContactSeen(region=which, tooth=tooth, at_mm=AT[which], area_mm2=6.0, gap_mm=0.02)


def plan() -> PlanSeen:
    """A bow of two bands of teeth, nearer behind than in front."""
    angle = np.linspace(np.pi, 2.0 * np.pi, 400)
    places = np.concatenate(
        [
            np.column_stack([r * np.cos(angle), 8.0 - 1.2 * r * np.sin(angle)])
            for r in np.arange(20.0, 27.0, 0.3)
        ]
    )
    gaps = (
        0.02 + 0.02 * places[:, 1] + 0.15 * np.abs(np.hypot(places[:, 0], (places[:, 1] - 8.0) / 1.2) - 23.0)
    )
    made = plan_of(places, gaps)
    assert made is not None
    return PlanSeen(low_mm=made.low_mm, cell_mm=CELL_MM, columns=made.gap_mm.shape[1], gap_um_b64=made.packed)


PLAN = plan()


def contact(
    left: float | None = 0.02, right: float | None = 0.03, front: float | None = 0.2, **changes: Any
) -> BiteContactResult:
    least = {Region.LEFT: left, Region.RIGHT: right, Region.FRONT: front}
    difference = None if left is None or right is None else amount(left - right)
    good: dict[str, Any] = {
        "working": "denture.stl",
        "opposing": "opposing.stl",
        "shows_teeth": True,
        "regions": tuple(region(r, g) for r, g in least.items()),
        "contacts": tuple(contact_at(r) for r, g in least.items() if g is not None and g <= 0.1),
        "pressed": depth(0.0),
        "left_over_right_mm": difference,
        "scatter_mm": 0.012,
        "T_plan_working": STILL,
        "working_plan": PLAN,
        "opposing_plan": PLAN,
    }
    return BiteContactResult(**{**good, **changes})


def depth(depth_mm: float) -> Depth:
    return Depth(
        depth_mm=amount(depth_mm),
        at_mm=AT[Region.LEFT],
        region=Region.LEFT,
        area_mm2=amount(12.0 * depth_mm, 4.0),
        volume_mm3=amount(4.0 * depth_mm, 2.0),
    )


def closed(
    told: BiteRelationResult | None = None,
    met: BiteContactResult | None = None,
    *links: Link,
    records: tuple[Placed, ...] = (),
    **changes: Any,
) -> CaseEvidence:
    """A case whose jaws bite so. links: what was compared, the good bite scan on both jaws where none are named."""
    shown = links or (link("bite-1", "denture", Came.REGISTERED), link("bite-1", "opposing", Came.REGISTERED))
    of = joined(*shown, records=records)
    measured = dict(of.measurements)
    measured[BITE_RELATION.name] = of_case(BITE_RELATION, told or relation())
    measured[BITE_CONTACT.name] = of_case(BITE_CONTACT, met or contact())
    return CaseEvidence(
        form=form(**changes), records=of.records, now=of.now, measurements=measured, bodies=of.bodies
    )
