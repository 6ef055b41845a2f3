"""A denture that fits its tissue and shows an imprint of every body, to break one thing of."""

from __future__ import annotations

from typing import Any

from server.measures.denture_laid import Laid
from server.measures.impression import IMPRESSION, ImpressionResult
from server.measures.imprint_sites import IMPRINT_SITES, ImprintSite, ImprintSitesResult, ToldBy
from server.measures.imprints import IMPRINTS, ImprintsResult
from server.measures.measure import Measurement
from server.measures.relation import Came
from server.measures.sides import SIDES, SidesResult
from server.records.roles import Role
from server.rules.evidence import CaseEvidence
from tests.rules.good_set import case, measured, record
from tests.rules.standing import jaw, of_case, seen


def sides(**changes: Any) -> SidesResult:
    good: dict[str, Any] = {
        "impression_mm2": 2500.0,
        "outer_mm2": 5000.0,
        "opens_along": (0.0, 0.0, -1.0),
        "line_mm": 320.0,
        "crease_ratio": 0.98,
        "is_sure": True,
        "untold": "",
        "openings_mm": (),
        "openings_at_mm": (),
        "openings_edge_mm": (),
        "n_openings": 0,
        "impression_b64": "",
    }
    return SidesResult(**{**good, **changes})


def opened(diameter_mm: float, edge_mm: float = 0.1) -> SidesResult:
    return sides(
        openings_mm=(diameter_mm,),
        openings_at_mm=((1.0, 2.0, 3.0),),
        openings_edge_mm=(edge_mm,),
        n_openings=1,
    )


def compared(**changes: Any) -> ImpressionResult:
    good: dict[str, Any] = {
        "denture": "denture.stl",
        "tissue": "jaw.stl",
        "laid": Laid.IMPRINTS,
        "came": Came.DELIVERED,
        "n_imprints": 4,
        "median_mm": 0.01,
        "spread_mm": 0.04,
        "p95_mm": 0.15,
        "u95_mm": 0.03,
        "compared_ratio": 0.97,
        "off_at_mm": ((5.0, 6.0, 7.0),),
        "off_mm": (0.3,),
    }
    return ImpressionResult(**{**good, **changes})


def told(n: int = 4, **changes: Any) -> ImprintSitesResult:
    good: dict[str, Any] = {
        "denture": "denture.stl",
        "n_imprints": n,
        "told_by": ToldBy.JAW,
        "sites": tuple(ImprintSite(site_index=k, number=k) for k in range(min(n, 4))),
        "empty_sites": tuple(range(n, 4)),
        "extra": tuple(range(4, n)),
        "is_clear": True,
        "untold": "",
        "markers": None,
    }
    return ImprintSitesResult(**{**good, **changes})


def fitting(
    *more: Measurement,
    n: int = 4,
    shape: SidesResult | None = None,
    with_jaw: bool = True,
    sites: dict[str, Any] | None = None,
    form: dict[str, Any] | None = None,
    **changes: Any,
) -> CaseEvidence:
    """The good case with a denture. n: imprints; changes: to its comparison; sites: to which imprint is which site."""
    bodies = tuple(seen(k % 4) for k in range(n))
    denture = record(
        measured(SIDES, shape or sides()),
        measured(IMPRINTS, ImprintsResult(bodies=bodies, catalogue=("rb-45", "rb-60"))),
        *more,
        role=Role.DENTURE,
        file="denture.stl",
    )
    made = case(*((jaw(),) if with_jaw else ()), denture, **(form or {}))
    return CaseEvidence(
        form=made.form,
        records=made.records,
        now=made.now,
        bodies=made.bodies,
        measurements={
            IMPRESSION.name: of_case(IMPRESSION, compared(**changes)),
            IMPRINT_SITES.name: of_case(IMPRINT_SITES, told(n, **(sites or {}))),
        },
    )
