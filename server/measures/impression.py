"""`denture.impression`: the positive of the denture against the tissue, or the jaw without its bodies, it was relined on.

Mucosa gives by tenths of a millimetre under a denture, so a difference of that size is to be expected.
"""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import suppress

import numpy as np
from numpy.typing import NDArray
from pydantic import BaseModel, ConfigDict

from server.measures.arch import pose_of
from server.measures.bench import RecordBench
from server.measures.bodies import BODIES, BodySeen
from server.measures.case_bench import CaseBench
from server.measures.denture_laid import Laid, Way, by_imprints, jaw_scans, way_onto
from server.measures.facing import FACING
from server.measures.frames import JOINT, JointResult
from server.measures.imprints import IMPRINTS
from server.measures.measure import CaseMeasure, NotMeasured, Result
from server.measures.mouth import MOUTH
from server.measures.parted import PARTED, best_positive
from server.measures.relation import Came, Rows, rows_of
from server.measures.sides import SIDES
from server.measures.space import BEND_MM
from server.measures.vectors import Vector3, vector
from server.metrology.bvh import BoxTree
from server.metrology.constellation.poses import LINE_95
from server.metrology.impression.differences import Differences, Post, differences_of
from server.metrology.quantiles import normal_quantile
from server.metrology.registration.surface import Surface
from server.metrology.rigid import apply, inverse, turn
from server.metrology.scan import Points
from server.metrology.topology import topology_of
from server.records.roles import Role

CELL_MM = 1.5
LEAST_IN_CELL = 2
FEWEST_IN_CELL = 4
PLACES = 3
APART_MM = 8.0
BOTH_BENT_MM = BEND_MM * float(np.sqrt(2.0))

Floats = NDArray[np.float64]


class PlanValues(BaseModel):
    """Values over a plan of the arch. rows: by rising y, each by rising x, micrometres, None where nothing was compared;
    low_mm: the middle of the first cell. right, top: unit, of x and y, in the joint frame: seen onto the occlusal surface
    with the patient's right on the left of the page. is_side_known: whether front and sides are."""

    model_config = ConfigDict(frozen=True)

    step_mm: float
    low_mm: tuple[float, float]
    rows: tuple[tuple[int | None, ...], ...]
    origin_mm: Vector3
    right: Vector3
    top: Vector3
    is_side_known: bool


class ImpressionResult(Result):
    """denture, tissue: files. laid: how they came together, and T_tissue_denture that motion; where they did not, the rest
    is empty. came: what the surfaces alone gave. median_mm: of the signed differences, + where the denture stands off;
    spread_mm: median of their amounts, p95_mm: 95 % of them are smaller; u95_mm: of all three, from how the records were laid
    on each other and how stitching bends them. off_at_mm: where it is off most, places on the denture in its file frame, and
    off_mm the differences there; off_u95_mm: of each, for a place that was chosen among all for being off most. n_imprints: imprints that lie on the jaw's bodies. untold: why no difference was taken though they came together.
    """

    denture: str
    tissue: str
    laid: Laid
    came: Came | None
    n_imprints: int = 0
    untold: str = ""
    T_tissue_denture: Rows = ()
    median_mm: float | None = None
    spread_mm: float | None = None
    p95_mm: float | None = None
    u95_mm: float | None = None
    compared_ratio: float | None = None
    off_at_mm: tuple[Vector3, ...] = ()
    off_mm: tuple[float, ...] = ()
    off_u95_mm: tuple[float, ...] = ()
    plan: PlanValues | None = None


def _measure(bench: CaseBench) -> ImpressionResult:
    dentures = bench.files_of(Role.DENTURE)
    if not dentures:
        raise NotMeasured("no denture came")
    denture = dentures[0]
    positive = _positive(bench, denture)
    joint = bench.together(JOINT)
    tissue = next(jaw_scans(bench, joint), None)
    if tissue is None:
        raise NotMeasured("there is no scan of the working jaw to compare it with")
    imprints = by_imprints(bench, denture)
    way = way_onto(bench, joint, tissue, denture, imprints)
    told = ImpressionResult(
        denture=denture,
        tissue=tissue,
        laid=way.laid if way else Laid.NOT,
        came=_came(joint, denture),
        n_imprints=imprints.n,
    )
    if way is None:
        return told
    T = way.T
    try:
        posts = tuple(_posts(bench, denture, tissue, T))
    except NotMeasured as answer:
        return told.model_copy(
            update={"untold": f"scan bodies and their imprints cannot be left out: {answer.says}"}
        )
    seen = differences_of(positive, bench.records[tissue].outward, T, posts)
    if len(seen.offset_mm) == 0:
        return told
    amount = np.abs(seen.offset_mm)
    candidates = _candidates(seen)
    places = _most(seen, candidates)
    return told.model_copy(
        update={
            "T_tissue_denture": rows_of(T),
            "median_mm": float(np.median(seen.offset_mm)),
            "spread_mm": float(np.median(amount)),
            "p95_mm": float(np.quantile(amount, 0.95)),
            "u95_mm": _u95_mm(way, seen),
            "compared_ratio": seen.compared_ratio,
            "off_at_mm": tuple(vector(p) for p in apply(inverse(T), seen.at[places])),
            "off_mm": tuple(float(v) for v in seen.offset_mm[places]),
            "off_u95_mm": tuple(float(u) for u in u95_of_most_mm(way, seen, places, len(candidates))),
            "plan": _plan(bench, joint, tissue, seen),
        }
    )


def _positive(bench: CaseBench, denture: str) -> Surface:
    scan = best_positive(bench, denture).scan
    return Surface(topology_of(scan), BoxTree(scan))


def _came(joint: JointResult, denture: str) -> Came | None:
    """The best that came of laying the denture on jaw or tissue."""
    found = [link.came for link in joint.links if link.moving == denture]
    order = (Came.DELIVERED, Came.REGISTERED, Came.MIRRORED, Came.AMBIGUOUS, Came.NOT)
    return next((came for came in order if came in found), None)


def _posts(bench: CaseBench, denture: str, tissue: str, T_tissue_denture: Floats) -> Iterator[Post]:
    """The bodies and imprints, in the tissue's frame. Raises NotMeasured where they are not known: what they take off
    the tissue would count as misfit."""
    for body in bench.result(denture, IMPRINTS).bodies:
        yield _post(bench.records[denture], body, T_tissue_denture)
    if bench.records[tissue].role is Role.JAW:
        for body in bench.result(tissue, BODIES).bodies:
            yield _post(bench.records[tissue], body, np.eye(4))


def _post(record: RecordBench, seen: BodySeen, T: Floats) -> Post:
    kind = next(k for k in record.reference_bodies if k.id == seen.body)
    return Post(T @ pose_of(seen), kind.reach_mm, kind.height_mm)


def _candidates(seen: Differences) -> list[int]:
    """One place of every cell of the tissue: that of the median difference there."""
    cell = np.floor(seen.at / (2.0 * CELL_MM)).astype(np.int64)
    _, number = np.unique(cell, axis=0, return_inverse=True)
    order = np.argsort(number.ravel(), kind="stable")
    groups = np.split(order, np.flatnonzero(np.diff(number.ravel()[order])) + 1)
    return [int(g[np.argsort(seen.offset_mm[g])[len(g) // 2]]) for g in groups if len(g) >= FEWEST_IN_CELL]


def _most(seen: Differences, candidates: list[int]) -> list[int]:
    """The places that differ most, apart from each other."""
    chosen: list[int] = []
    for k in sorted(candidates, key=lambda i: -abs(float(seen.offset_mm[i]))):
        if all(np.linalg.norm(seen.at[k] - seen.at[j]) > APART_MM for j in chosen):
            chosen.append(k)
        if len(chosen) == PLACES:
            break
    return chosen


def _u95_mm(way: Way, seen: Differences) -> float:
    """Of what is said of all places together: how the records were laid on each other, in the middle of all places along the
    tissue's normal, and how stitching bends both."""
    few = slice(None, None, max(1, len(seen.at) // 2000))
    laid = float(np.median(way.sigma_mm(seen.at[few], seen.normals[few])))
    return LINE_95 * float(np.hypot(laid, BOTH_BENT_MM))


def u95_of_most_mm(way: Way, seen: Differences, places: list[int], n_candidates: int) -> Floats:
    """(k,) of the differences at places chosen for being most among so many: wide enough that all of them are held together
    with 95 % (Šidák 1967), since the largest of many is mostly one that scatter made larger."""
    wide = normal_quantile(1.0 - 0.5 * (1.0 - 0.95 ** (1.0 / max(n_candidates, 1))))
    return wide * np.hypot(way.sigma_mm(seen.at[places], seen.normals[places]), BOTH_BENT_MM)


def _plan(bench: CaseBench, joint: JointResult, tissue: str, seen: Differences) -> PlanValues:
    """The differences over a plan of the arch, the mean of each cell."""
    placed = joint.of(tissue)
    assert placed is not None
    right, top, origin, is_known = _page(bench, placed.motion, seen)
    offset = apply(placed.motion, seen.at) - origin
    x, y = np.rint(offset @ right / CELL_MM).astype(int), np.rint(offset @ top / CELL_MM).astype(int)
    low = np.array([x.min(), y.min()])
    shape = (int(y.max() - low[1]) + 1, int(x.max() - low[0]) + 1)
    place = (y - low[1]) * shape[1] + (x - low[0])
    n = np.bincount(place, minlength=shape[0] * shape[1])
    mean = np.bincount(place, weights=seen.offset_mm, minlength=len(n)) / np.maximum(n, 1)
    values = [round(1000.0 * float(m)) if k >= LEAST_IN_CELL else None for m, k in zip(mean, n, strict=True)]
    return PlanValues(
        step_mm=CELL_MM,
        low_mm=(float(low[0] * CELL_MM), float(low[1] * CELL_MM)),
        rows=tuple(tuple(values[r * shape[1] : (r + 1) * shape[1]]) for r in range(shape[0])),
        origin_mm=vector(origin),
        right=vector(right),
        top=vector(top),
        is_side_known=is_known,
    )


def _page(bench: CaseBench, T_root_tissue: Floats, seen: Differences) -> tuple[Points, Points, Points, bool]:
    """Right and top of the page and its middle, in the joint frame, and whether front and sides are known."""
    with suppress(NotMeasured):
        mouth = bench.together(MOUTH)
        if mouth.left is not None:
            right = np.array(mouth.left)
            return right, np.cross(np.array(mouth.occlusal), right), np.array(mouth.origin_mm), True
    up = turn(T_root_tissue, seen.normals.sum(axis=0, keepdims=True))[0]
    up /= np.linalg.norm(up)
    at = apply(T_root_tissue, seen.at)
    flat = at - at.mean(axis=0)
    flat -= np.outer(flat @ up, up)
    right = np.linalg.svd(flat[:: max(1, len(flat) // 500)], full_matrices=False)[2][0]
    return right, np.cross(up, right), at.mean(axis=0), False


IMPRESSION = CaseMeasure(
    name="denture.impression",
    revision=4,
    result=ImpressionResult,
    roles=frozenset({Role.DENTURE, Role.JAW, Role.TISSUE}),
    compute=_measure,
    needs=(BODIES, FACING, SIDES, IMPRINTS),
    builds_on=(JOINT, PARTED, MOUTH),
)
