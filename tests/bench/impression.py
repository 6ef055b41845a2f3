"""How well the impression side is told: `python -m tests.bench.impression [--phantoms N] [--seed S] [--rows FILE]`, JSON.

Phantom mouths, upper and lower, each record in a frame of its own; only jaw, tissue and denture are scanned. Every third
denture was relined while one half of the ridge was swollen. A facet truly belongs to the side whose undisturbed surface its
middle lies on. Told from the denture alone, with the tissue scan, and with jaw and tissue scan; imprints are held against
the bodies that stood in the mouth, differences against the way from the denture's true surface to the true tissue, and where
soft tissue was caught out of its place, as the phantom's scanner sometimes has it, to where it then stood. A place of most
is held against the mean of what is true within the patch that it stands for.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray
from scipy.spatial import cKDTree

from seed_data.phantoms.bodies import KINDS
from seed_data.phantoms.dice import Dice, dice
from seed_data.phantoms.height_map import grid_places, map_from
from seed_data.phantoms.mesh_files import stl_bytes
from seed_data.phantoms.phantom import draft_work
from seed_data.phantoms.rigid import inverse, move
from seed_data.phantoms.scanner import Draft, scan
from seed_data.phantoms.solids import DentureSolid, Placed
from seed_data.phantoms.subjects import denture_subject
from seed_data.phantoms.work import Work
from server.measures.bench import RecordBench
from server.measures.bodies import BodySeen
from server.measures.body_set import BodySet
from server.measures.case_bench import CaseBench
from server.measures.impression import IMPRESSION, ImpressionResult
from server.measures.imprints import IMPRINTS
from server.measures.measure import Measurement, NotMeasured, Status
from server.measures.parted import PARTED, PartedResult
from server.measures.sides import SIDES
from server.metrology.impression.differences import PATCH_MM, RIM_MM, Post
from server.metrology.scan import Scan
from server.metrology.topology import topology_of
from server.records.case_form import CaseForm
from server.records.roles import Unit
from tests.bench.by_seed import run_by_seed

Floats = NDArray[np.float64]
Mask = NDArray[np.bool_]
Row = dict[str, float | str | int | None]

NEEDED = ("jaw", "tissue", "denture")
FIRST_SEED, PHANTOMS, DETAIL = 7000, 60, 0.6
SAME_MM, SAME_DEG = 1.0, 15.0
"""An imprint within these of a body is that body's."""
WAYS = {"alone": ("denture",), "with tissue": ("denture", "tissue"), "with jaw": NEEDED}


@dataclass(frozen=True)
class Known:
    """A denture and what is true of it. swelling_mm: of half the ridge while it was relined; is_impression: (m,) by facet;
    areas_mm2: (m,) and middles: (m, 3), of facets, the middles on the true surface; off_mm: (m,) by which these truly stand off
    the tissue as it was when it was scanned; posts: the bodies that stood in the mouth."""

    work: Work
    drafts: dict[str, Draft]
    swelling_mm: float
    is_impression: Mask
    areas_mm2: Floats
    middles: Floats
    off_mm: Floats

    @property
    def posts(self) -> tuple[Post, ...]:
        return tuple(
            Post(p.T_joint_body, KINDS[p.kind].seat_radius_mm, KINDS[p.kind].height_mm)
            for p in self.work.mouth.placed
        )


def main() -> None:
    run_by_seed(
        "tests.bench.impression",
        __doc__,
        phantoms=PHANTOMS,
        seed=FIRST_SEED,
        rows_of=lambda seed, bodies: list(_rows_of(_known(seed), bodies)),
        told=lambda made: {str(row["kind"]): row["value"] for row in made if row["group"] == "overlap"},
        summary=summary,
    )


def summary(rows: list[Row]) -> dict[str, object]:
    """By group and kind: how many were asked and how many not told; of overlaps median, 5th percentile and least; of imprints
    how many were found; of errors median, 95th percentile, largest and the share inside U95."""
    told: dict[str, object] = {"phantoms": len({row["seed"] for row in rows})}
    for kind in sorted({(str(r["group"]), str(r["kind"])) for r in rows}):
        of_kind = [r for r in rows if (r["group"], r["kind"]) == kind]
        values = np.array([float(r["value"]) for r in of_kind if r["value"] is not None])
        made: dict[str, object] = {"asked": len(of_kind), "not_told": len(of_kind) - len(values)}
        if kind[0] == "count":
            made = {"sum": int(values.sum())}
        elif kind[0] == "overlap" and len(values):
            low = [float(np.median(values)), float(np.quantile(values, 0.05)), float(values.min())]
            made |= dict(zip(("median", "p5", "min"), np.round(low, 4).tolist(), strict=True))
        elif len(values):
            off = np.abs(values)
            high = [float(np.median(off)), float(np.quantile(off, 0.95)), float(off.max())]
            made |= dict(zip(("median", "p95", "max"), np.round(high, 4).tolist(), strict=True))
            u95 = np.array(
                [float(r["u95"]) for r in of_kind if r["value"] is not None and r["u95"] is not None]
            )
            made |= {
                "u95_median": round(float(np.median(u95)), 4),
                "inside": round(float(np.mean(off <= u95)), 3),
            }
        told[f"{kind[0]}: {kind[1]}"] = made
    return told


def _known(seed: int) -> Known:
    work = draft_work(seed, None, None, random_frames=True, detail=DETAIL, noise_um=None)
    swelling_mm, solid = 0.0, work.mouth.denture
    if seed % 3 == 0:
        swelling_mm, solid = _swollen(work, dice(seed, "bench", "impression"))
        work.subjects["denture"] = denture_subject(replace(work.mouth, denture=solid))
    drafts = {key: scan(seed, work.subjects[key], work.settings[key]) for key in NEEDED}
    draft = drafts["denture"]
    middles = draft.true_mm[draft.faces].mean(axis=1)
    return Known(
        work=work,
        drafts=drafts,
        swelling_mm=swelling_mm,
        is_impression=np.asarray(-solid.jaw.distance(middles) >= solid.outer(middles)),
        areas_mm2=topology_of(Scan(draft.vertices_mm, draft.faces.astype(np.int32))).areas_mm2,
        middles=middles,
        off_mm=_stand_off(work, drafts["tissue"], middles),
    )


def _stand_off(work: Work, tissue: Draft, middles: Floats) -> Floats:
    """(m,) how far places stand off the tissue, less what the nearest point of its scan was caught out of its place."""
    out_of_place = np.where(
        np.isnan(tissue.true_mm[:, 0]), work.mouth.tissue.distance(tissue.vertices_mm), 0.0
    )
    _, nearest = cKDTree(tissue.vertices_mm).query(middles)
    return np.asarray(work.mouth.tissue.distance(middles) - out_of_place[nearest])


def _swollen(work: Work, rng: Dice) -> tuple[float, DentureSolid]:
    """By how much one half of the ridge stood out, and the denture that was relined on it."""
    uv, most_mm = grid_places(), float(rng.uniform(0.2, 1.0))
    side = 1.0 if rng.random() < 0.5 else -1.0
    surface = work.mouth.soft.surface.at(uv) + most_mm / (1.0 + np.exp(-side * uv[:, 0] / 2.5))
    solid = work.mouth.denture
    return most_mm, replace(solid, jaw=replace(solid.jaw, surface=map_from(surface)))


def _rows_of(known: Known, bodies: BodySet) -> Iterator[Row]:
    work = known.work
    benches = {
        key: RecordBench(
            stl_bytes(move(work.frame(key), draft.vertices_mm), draft.faces),
            file_name=key,
            role=draft.role,
            unit=Unit.MM,
            bodies=bodies,
        )
        for key, draft in known.drafts.items()
    }
    form = CaseForm.model_validate({**work.form, "records": []})
    for way, keys in WAYS.items():
        made = _measured(form, {key: benches[key] for key in keys})
        yield _row(known, "overlap", way, _overlap(known, _side(benches["denture"], made)))
        if way == "with jaw":
            yield from _of_imprints(known, benches["denture"])
            yield from _of_differences(known, made)
            parted = _parted(made)
            yield _row(known, "count", "parted anew", float(parted is not None and parted.is_anew))


def _measured(form: CaseForm, benches: dict[str, RecordBench]) -> dict[str, Measurement]:
    bench = CaseBench(form, benches, {})
    bench.result("denture", IMPRINTS)
    return {m.measure: m for m in bench.run((PARTED, IMPRESSION), {}) if m.status is Status.MEASURED}


def _parted(made: dict[str, Measurement]) -> PartedResult | None:
    told = made.get(PARTED.name)
    return PartedResult.model_validate(told.result) if told else None


def _side(denture: RecordBench, made: dict[str, Measurement]) -> Mask | None:
    parted = _parted(made)
    if parted is not None:
        return None if parted.untold else parted.is_impression
    sides = denture.result(SIDES)
    return None if sides.untold else sides.is_impression


def _overlap(known: Known, side: Mask | None) -> float | None:
    """Area in both over area in either."""
    if side is None:
        return None
    areas, true = known.areas_mm2, known.is_impression
    return float(areas[side & true].sum() / areas[side | true].sum())


def _row(known: Known, group: str, kind: str, value: float | None, u95: float | None = None) -> Row:
    return {"seed": known.work.seed, "group": group, "kind": kind, "value": value, "u95": u95}


def _of_imprints(known: Known, denture: RecordBench) -> Iterator[Row]:
    try:
        seen = list(denture.result(IMPRINTS).bodies)
    except NotMeasured:
        seen = []
    T = known.work.frame("denture")
    found = 0
    for placed in known.work.mouth.placed:
        own = next((s for s in seen if _is_same(s, placed, T)), None)
        if own is None:
            continue
        seen.remove(own)
        found += 1
        off = np.linalg.norm(move(inverse(T), np.array([own.seat_mm]))[0] - placed.seat_mm)
        yield _row(known, "imprint", "position, mm", float(off), own.u95_position_mm)
        axis = T[:3, :3].T @ np.array(own.axis)
        turned = np.degrees(np.arccos(np.clip(axis @ placed.axis, -1.0, 1.0)))
        yield _row(known, "imprint", "axis, °", float(turned), own.u95_axis_deg)
        yield _row(known, "count", "imprints of another kind", float(own.body != placed.kind))
    yield _row(known, "count", "imprints found", float(found))
    yield _row(known, "count", "imprints missed", float(len(known.work.mouth.placed) - found))
    yield _row(known, "count", "imprints invented", float(len(seen)))


def _is_same(seen: BodySeen, placed: Placed, T: Floats) -> bool:
    off = move(inverse(T), np.array([seen.seat_mm]))[0] - placed.seat_mm
    axis = T[:3, :3].T @ np.array(seen.axis)
    return bool(np.linalg.norm(off) < SAME_MM and axis @ placed.axis > np.cos(np.radians(SAME_DEG)))


def _of_differences(known: Known, made: dict[str, Measurement]) -> Iterator[Row]:
    """What was measured of the differences against how the denture's true surface stood off the tissue."""
    group = "swollen" if known.swelling_mm else "clean"
    told = ImpressionResult.model_validate(made[IMPRESSION.name].result) if IMPRESSION.name in made else None
    counts = known.is_impression.copy()
    rim, _ = cKDTree(known.middles[~counts]).query(known.middles, distance_upper_bound=RIM_MM)
    counts &= ~np.isfinite(rim)
    for post in known.posts:
        counts &= ~post.holds(known.middles)
    true, areas = known.off_mm[counts], known.areas_mm2[counts]
    true_p95, true_median = _quantile(np.abs(true), areas, 0.95), _quantile(true, areas, 0.5)
    measured = (None, None) if told is None else (told.p95_mm, told.median_mm)
    for kind, value, right in zip(("p95, mm", "median, mm"), measured, (true_p95, true_median), strict=True):
        off = None if value is None else value - right
        yield _row(known, group, kind, off, None if told is None else told.u95_mm)
    if told is None or not told.off_mm:
        return
    tree = cKDTree(known.middles[known.is_impression])
    T = inverse(known.work.frame("denture"))
    for at, value, u95 in zip(told.off_at_mm, told.off_mm, told.off_u95_mm, strict=True):
        near = tree.query_ball_point(move(T, np.array([at]))[0], PATCH_MM)
        there = float(known.off_mm[known.is_impression][near].mean())
        yield _row(known, group, "at the largest places, mm", value - there, u95)


def _quantile(values: Floats, weights: Floats, share: float) -> float:
    """The value below which that share of the weight lies."""
    order = np.argsort(values)
    ends = np.cumsum(weights[order])
    return float(values[order[np.searchsorted(ends, share * ends[-1])]])


if __name__ == "__main__":
    main()
