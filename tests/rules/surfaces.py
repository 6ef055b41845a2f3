"""Results of the measures of surfaces as a good scan gives them, to break one thing of."""

from __future__ import annotations

from typing import Any

from server.measures.facing import FACING, FacingResult, PatchFacing
from server.measures.layers import LAYERS, LayersResult
from server.measures.shell import SHELL, Island, Opening, ShellResult
from server.measures.texture import TEXTURE, TextureResult
from server.records.roles import Role
from server.rules.evidence import CaseEvidence, RecordEvidence
from server.rules.limit import Level, Outcome
from server.rules.rule import Rule
from tests.rules.good_set import ask_one, case, given_up, measured, record, troubled

PLACE = (1.0, 2.0, 3.0)


def shell(**changes: Any) -> ShellResult:
    good: dict[str, Any] = {
        "n_facets": 100_000,
        "n_vertices": 50_500,
        "area_mm2": 4700.0,
        "volume_mm3": 9000.0,
        "is_closed": False,
        "euler_characteristic": 1,
        "n_shells": 1,
        "n_border_loops": 1,
        "outer_border_mm": 360.0,
        "openings": (),
        "n_openings": 0,
        "islands": (),
        "n_islands": 0,
        "island_area_mm2": 0.0,
        "n_dust_shells": 0,
        "dust_area_mm2": 0.0,
        "n_crowded_edges": 0,
        "crowded_at_mm": None,
        "n_repeated_facets": 0,
        "n_degenerate_facets": 0,
        "degenerate_at_mm": None,
    }
    return ShellResult(**{**good, **changes})


def opening(diameter_mm: float, edge_mm: float = 0.3) -> dict[str, Any]:
    """Changes that put one opening into the shell."""
    hole = Opening(diameter_mm=diameter_mm, length_mm=3.3 * diameter_mm, edge_mm=edge_mm, centre_mm=PLACE)
    return {"openings": (hole,), "n_openings": 1}


def island(area_mm2: float) -> dict[str, Any]:
    return {
        "islands": (Island(area_mm2=area_mm2, centre_mm=PLACE),),
        "n_islands": 1,
        "island_area_mm2": area_mm2,
    }


def patch(**changes: Any) -> PatchFacing:
    good: dict[str, Any] = {
        "shell": 0,
        "area_mm2": 4700.0,
        "side": "scanner",
        "is_certain": True,
        "is_closed": False,
        "score": 0.3,
        "u95": 0.02,
        "centre_mm": PLACE,
    }
    return PatchFacing(**{**good, **changes})


def facing(*patches: PatchFacing, **changes: Any) -> FacingResult:
    shown = patches or (patch(),)
    away = [p for p in shown if p.side == "away"]
    good: dict[str, Any] = {
        "patches": shown,
        "judged_area_mm2": sum(p.area_mm2 for p in shown),
        "away_area_mm2": sum(p.area_mm2 for p in away),
        "away_is_certain": all(p.is_certain for p in away),
        "turned_area_mm2": 0.0,
        "turned_at_mm": None,
        "n_conflicts": 0,
        "patches_away": tuple(k for k, p in enumerate(shown) if p.side == "away"),
    }
    return FacingResult(**{**good, **changes})


def texture(**changes: Any) -> TextureResult:
    good: dict[str, Any] = {
        "spacing_median_mm": 0.25,
        "spacing_p95_mm": 0.4,
        "scatter_mm": 0.012,
        "scatter_u95_mm": 0.001,
        "roughest_mm": 0.02,
        "roughest_at_mm": PLACE,
        "n_spikes": 0,
        "tallest_spike_mm": 0.0,
        "spikes_at_mm": (),
    }
    return TextureResult(**{**good, **changes})


def layers(area_mm2: float = 0.0, u95_mm2: float = 0.0) -> LayersResult:
    places = (PLACE,) if area_mm2 else ()
    return LayersResult(double_area_mm2=area_mm2, double_area_u95_mm2=u95_mm2, gap_mm=0.2, places_mm=places)


def scan(*, role: Role = Role.JAW, **results: Any) -> RecordEvidence:
    """A record with good surface results, some of them replaced: shell=…, facing=…, texture=…, layers=…"""
    return record(
        measured(SHELL, results.get("shell", shell())),
        measured(FACING, results.get("facing", facing())),
        measured(TEXTURE, results.get("texture", texture())),
        measured(LAYERS, results.get("layers", layers())),
        role=role,
        file=f"{role.value}.stl",
    )


def unread(role: Role = Role.JAW) -> CaseEvidence:
    """A case whose only record could not be read."""
    measures = (SHELL, FACING, TEXTURE, LAYERS)
    return case(record(*(given_up(m, "file/truncated") for m in measures), role=role, file="x.stl"))


def judged(rule: Rule, evidence: RecordEvidence) -> tuple[float | None, Outcome, Level]:
    """What a rule says of the only record of a case: value, outcome, level. Nothing else may be troubled by it."""
    found = ask_one(rule, case(evidence))
    expected = {rule.id} if found.level.gravity > Level.NOTE.gravity else set()
    assert troubled_by_surface(case(evidence)) == expected
    return found.value, found.outcome, found.level


def troubled_by_surface(of: CaseEvidence) -> set[str]:
    return {rule for rule in troubled(of) if rule.startswith("surface/")}
