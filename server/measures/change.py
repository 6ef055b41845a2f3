"""`surface.change`: what has changed between a record and the one it replaces.

The new surface is laid on the old one by what agrees (server/metrology/registration), and distances are taken over the
overlap alone: a hole now closed, a border now wider or a body now caught on its far side lie in one scan only, and are
what a rescan is for. A margin of MARGIN_MM along every border of either is left out too: there cheek, lip and tongue
were caught as they happened to lie. Of the rest, `changed_mm` is the largest distance that fills at least PLACE_MM2 of connected
surface: a mean or a percentile over the whole would hide a swelling of a square centimetre, a maximum would be a spike.
"""

from __future__ import annotations

from enum import StrEnum

import numpy as np
from numpy.typing import NDArray
from pydantic import BaseModel, ConfigDict
from scipy.sparse import coo_matrix
from scipy.sparse.csgraph import connected_components
from scipy.spatial import cKDTree

from server.measures.bench import RecordBench
from server.measures.case_bench import CaseBench
from server.measures.measure import CaseMeasure, NotMeasured, Result
from server.measures.reading import READING
from server.measures.vectors import Vector3
from server.metrology.registration.fit import meeting_of
from server.metrology.registration.register import Demand, Pose, Registration, Sides, Standing, register
from server.metrology.registration.surface import Samples, Surface
from server.records.roles import Role

CHANGE_ROLES = frozenset({Role.JAW, Role.TISSUE, Role.DENTURE, Role.OPPOSING, Role.BEFORE})
"""A bite taken again is another bite, and shows it by its relation, not by its surface."""
REACH_MM = 3.0
"""Surfaces further apart than this are not the same place any more."""
PLACE_MM2 = 6.0
"""A change is a place of at least this size: about one and a half scan bodies' tops."""
MARGIN_MM = 4.0
LEAST_COMMON_MM2 = 150.0
"""Where less than this is left to compare, nothing is said."""
DIFFERS_MM = 0.15
POINTS = 30_000
HALF_THE_SAME = Demand(agree_mm=0.15, least_agreement=0.5)
"""Both are said to be of one place of one mouth; how much of it has changed is the question."""


class Ended(StrEnum):
    """How the comparison of a record with the one it replaces ended."""

    COMPARED = "compared"
    AMBIGUOUS = "ambiguous"
    NOTHING_FITS = "nothing fits"
    NOTHING_TO_COMPARE = "nothing to compare"
    UNREAD = "unread"


_WORDS = {
    Ended.AMBIGUOUS: "the new scan lies on the one it replaces in more than one way",
    Ended.NOTHING_FITS: "the new scan does not lie on the one it replaces in any way",
}


class RecordChange(BaseModel):
    """One record against the one it replaces; places in the new record's file frame, mm.

    differing_ratio: share of what is compared that lies further apart than DIFFERS_MM. p95_mm: of the distances there.
    changed_mm: the largest distance that fills PLACE_MM2 of connected surface, within u95_mm; at_mm: its middle, None
    where nothing is changed by more than DIFFERS_MM. overlap_ratio: share of the new record that the old one shows too.
    Where it ended otherwise than compared, the numbers are None and `says` gives the reason.
    """

    model_config = ConfigDict(frozen=True)

    file: str
    ended: Ended = Ended.COMPARED
    overlap_ratio: float | None = None
    differing_ratio: float | None = None
    p95_mm: float | None = None
    changed_mm: float | None = None
    u95_mm: float | None = None
    at_mm: Vector3 | None = None
    says: str = ""
    because: str | None = None


class ChangeResult(Result):
    """A row for every record of this round that replaces one of the round before, by file name."""

    records: tuple[RecordChange, ...]


def _measure(bench: CaseBench) -> ChangeResult:
    pairs = [
        (file, record, bench.replaced[file])
        for file, record in sorted(bench.records.items())
        if file in bench.replaced and record.role in CHANGE_ROLES
    ]
    return ChangeResult(records=tuple(_change(*pair) for pair in pairs))


def _change(file: str, new: RecordBench, old: RecordBench) -> RecordChange:
    try:
        own = Surface(new.topology, new.tree)
    except NotMeasured as answer:
        return RecordChange(file=file, ended=Ended.UNREAD, says=answer.says, because=answer.because)
    try:
        earlier = Surface(old.topology, old.tree)
    except NotMeasured:
        return RecordChange(
            file=file, ended=Ended.NOTHING_TO_COMPARE, says="the scan it replaces could not be read"
        )
    if new.role is not old.role:
        return RecordChange(
            file=file,
            ended=Ended.NOTHING_TO_COMPARE,
            says=f"it replaces a {old.role.words}, which is another thing",
        )
    for sides in Sides:  # one of the two may have come inside out
        found = register(own, earlier, sides=sides, demand=HALF_THE_SAME)
        if found.standing is not Standing.NOTHING_FITS and found.best is not None:
            break
    if found.standing is Standing.FITS and found.best is not None:
        return _compared(file, own, earlier, sides, found, found.best)
    ended = Ended.AMBIGUOUS if found.standing is Standing.AMBIGUOUS else Ended.NOTHING_FITS
    return RecordChange(file=file, ended=ended, says=_WORDS[ended])


def _compared(
    file: str, own: Surface, earlier: Surface, sides: Sides, found: Registration, best: Pose
) -> RecordChange:
    samples = own.samples(POINTS)
    if sides is Sides.OPPOSITE:
        samples = samples.turned_over()
    meeting = meeting_of(samples, earlier, best.T_fixed_moving, REACH_MM)
    seen = np.flatnonzero(meeting.is_met & _is_inner(own, samples.points) & _is_inner(earlier, meeting.at))
    if len(seen) * samples.area_mm2 < LEAST_COMMON_MM2:
        return RecordChange(
            file=file, ended=Ended.NOTHING_TO_COMPARE, says="the two scans have too little in common"
        )
    off = np.abs(meeting.offset_mm[seen])
    changed, members = _largest_place(samples, seen, off)
    middle = samples.points[members].mean(axis=0) if len(members) else None
    place = meeting.at[members].mean(axis=0) if len(members) else meeting.at[seen].mean(axis=0)
    fit = found.certainty.u95_mm(place) if found.certainty else 0.0
    return RecordChange(
        file=file,
        overlap_ratio=float(meeting.is_met.mean()),
        differing_ratio=float((off > DIFFERS_MM).mean()),
        p95_mm=float(np.quantile(off, 0.95)),
        changed_mm=changed,
        u95_mm=float(np.hypot(fit, 2.0 * found.sigma_mm / np.sqrt(PLACE_MM2))),
        at_mm=(float(middle[0]), float(middle[1]), float(middle[2])) if middle is not None else None,
    )


def _is_inner(surface: Surface, points: NDArray[np.float64]) -> NDArray[np.bool_]:
    """Which points (n, 3) lie at least MARGIN_MM from every border of the surface."""
    scan = surface.topology.scan
    half_edges = surface.topology.border_half_edges
    if len(half_edges) == 0:
        return np.ones(len(points), dtype=bool)
    border = cKDTree(scan.vertices[np.unique(scan.faces[half_edges // 3, half_edges % 3])])
    distance, _ = border.query(points, distance_upper_bound=MARGIN_MM)
    return np.asarray(np.isinf(distance))


def _largest_place(
    samples: Samples, seen: NDArray[np.int64], off: NDArray[np.float64]
) -> tuple[float, NDArray[np.int64]]:
    """The largest distance that some connected place of PLACE_MM2 exceeds throughout, and the points of that place.

    Found by halving: the higher the distance asked for, the smaller the places that exceed it.
    """
    least = max(3, int(np.ceil(PLACE_MM2 / samples.area_mm2)))
    links = _links(samples.points[seen], 2.0 * np.sqrt(samples.area_mm2))
    low, high, members = 0.0, REACH_MM, np.zeros(0, dtype=np.int64)
    for _ in range(14):
        middle = 0.5 * (low + high)
        place = _place_beyond(links, off > middle, least)
        if place is None:
            high = middle
        else:
            low = middle
            members = seen[place] if middle > DIFFERS_MM else members
    return low, members


def _links(points: NDArray[np.float64], reach_mm: float) -> NDArray[np.int64]:
    return np.asarray(cKDTree(points).query_pairs(reach_mm, output_type="ndarray"), dtype=np.int64)


def _place_beyond(
    links: NDArray[np.int64], is_beyond: NDArray[np.bool_], least: int
) -> NDArray[np.int64] | None:
    """The points of the largest connected place that is beyond, where it has at least so many."""
    kept = links[is_beyond[links].all(axis=1)]
    n = len(is_beyond)
    graph = coo_matrix((np.ones(len(kept)), (kept[:, 0], kept[:, 1])), shape=(n, n))
    _, label = connected_components(graph, directed=False)
    sizes = np.bincount(label[is_beyond], minlength=1)
    largest = int(sizes.argmax())
    if int(sizes[largest]) < least:
        return None
    return np.flatnonzero((label == largest) & is_beyond)


CHANGE = CaseMeasure(
    name="surface.change",
    revision=3,
    result=ChangeResult,
    roles=CHANGE_ROLES,
    compute=_measure,
    needs=(READING,),
    uses_replaced=True,
    of_rescans=True,
)
