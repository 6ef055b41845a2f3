"""`markers.against_jaw`: the implant positions from photogrammetry against the scan bodies of the jaw scan: which is which,
how they differ, and whether one site is off or the arch bent."""

from __future__ import annotations

from collections.abc import Sequence
from enum import StrEnum

import numpy as np
from numpy.typing import NDArray
from pydantic import BaseModel, ConfigDict

from server.measures.bodies import BODIES, BodySeen
from server.measures.case_bench import CaseBench
from server.measures.measure import CaseMeasure, NotMeasured, Result
from server.measures.vectors import Vector3, vector
from server.metrology.constellation.compare import Comparison, compare
from server.metrology.constellation.poses import BALL_95, CONE_95, LINE_95, MOST_POSES, Poses
from server.metrology.readers.reading import Unreadable
from server.records.roles import Role

DEVICE_POSITION_MM, DEVICE_AXIS_DEG = 0.02, 0.15
"""Expanded uncertainty of a position from photogrammetry where its file says none: our own proposal, below the mean
deviations published for complete arches (17-37 µm, 0.16-0.34°; J Prosthet Dent in-vitro), which hold the whole arch's."""

Floats = NDArray[np.float64]


class Hands(StrEnum):
    SAME = "same"
    MIRRORED = "mirrored"
    UNTOLD = "cannot tell"


class MarkerPose(BaseModel):
    """One implant position, in the markers file's frame, mm. tooth: as the file names it, else empty; clock: None where
    it is not known."""

    model_config = ConfigDict(frozen=True)

    tooth: str
    seat_mm: Vector3
    axis: Vector3
    clock: Vector3 | None
    u95_position_mm: float
    u95_axis_deg: float


class PairSeen(BaseModel):
    """A scan body (number in `bodies.found` of the jaw) and the position that is its. shift_mm: body less position as
    mapped, in the jaw's frame; u95_mm: radius of the ball about its end. residual_mm: its length, and u95_residual_mm of
    that; axis_deg and u95_axis_deg: the angle between the axes likewise. left_out_mm: as residual_mm, after a fit of all
    others; None for fewer than four. off_mm, off_u95_mm, off_deg, off_u95_deg: how far the site is off if it is the only
    one."""

    model_config = ConfigDict(frozen=True)

    body: int
    marker: int
    shift_mm: Vector3
    u95_mm: float
    residual_mm: float
    u95_residual_mm: float
    axis_deg: float
    u95_axis_deg: float
    left_out_mm: float | None
    off_mm: float | None
    off_u95_mm: float | None
    off_deg: float | None
    off_u95_deg: float | None


class Distance(BaseModel):
    """Two scan bodies: their distance, and the angle of their axes, in the jaw scan less that in the positions."""

    model_config = ConfigDict(frozen=True)

    bodies: tuple[int, int]
    off_mm: float
    off_deg: float
    u95_mm: float


class WaySeen(BaseModel):
    """One way in which the arch as a whole has changed its shape, jaw scan less positions."""

    model_config = ConfigDict(frozen=True)

    way: str
    size_mm: float
    u95_mm: float


class MarkersResult(Result):
    """markers: all positions; pairs: by rising number of the body. fits: whether jaw and positions have three or more in
    common; where not, all after it is empty. account: what the misfit comes from ("" for fewer than four pairs); named:
    the body, or the few of which it is one. T_jaw_markers: rows, maps positions to the jaw's frame, det +1.
    """

    jaw: str
    record: str
    is_table: bool
    n_bodies: int
    markers: tuple[MarkerPose, ...]
    fits: bool
    pairs: tuple[PairSeen, ...] = ()
    only_in_jaw: tuple[int, ...] = ()
    only_in_markers: tuple[int, ...] = ()
    T_jaw_markers: tuple[tuple[float, float, float, float], ...] = ()
    rms_mm: float | None = None
    distances: tuple[Distance, ...] = ()
    scale_ratio: float | None = None
    scale_u95_ratio: float | None = None
    hand: Hands = Hands.UNTOLD
    is_ambiguous: bool = False
    account: str = ""
    named: tuple[int, ...] = ()
    odds: float | None = None
    ways: tuple[WaySeen, ...] = ()


def _measure(bench: CaseBench) -> MarkersResult:
    jaws, records = bench.files_of(Role.JAW), bench.files_of(Role.MARKERS)
    if not records:
        raise NotMeasured("no implant positions came")
    if not jaws:
        raise NotMeasured("there is no jaw scan with scan bodies")
    seen = bench.result(jaws[0], BODIES).bodies
    markers = positions_of(bench, records[0])
    if max(len(seen), len(markers)) > MOST_POSES:
        raise NotMeasured(f"there are more than {MOST_POSES} bodies", because="markers/count")
    jaw_poses = poses_of(seen)
    told = compare(jaw_poses, poses_of(markers)) if seen and markers else None
    result = MarkersResult(
        jaw=jaws[0],
        record=records[0],
        is_table=bench.records[records[0]].table is not None,
        n_bodies=len(seen),
        markers=markers,
        fits=told is not None,
    )
    return result if told is None else result.model_copy(update=_told(told, jaw_poses, poses_of(markers)))


def positions_of(bench: CaseBench, file: str) -> tuple[MarkerPose, ...]:
    """The implant positions of a record, from its table, which is in mm, or from the bodies that its mesh shows.

    Raises NotMeasured where the record cannot be read.
    """
    try:
        table = bench.records[file].table
    except Unreadable as refusal:
        raise NotMeasured("the implant positions could not be read", because=refusal.rule) from refusal
    if table is not None:
        return tuple(
            MarkerPose(
                tooth=row.tooth,
                seat_mm=row.seat_mm,
                axis=vector(np.array(row.axis) / np.linalg.norm(row.axis)),
                clock=_across(row.axis, row.clock),
                u95_position_mm=DEVICE_POSITION_MM,
                u95_axis_deg=DEVICE_AXIS_DEG,
            )
            for row in table.rows
        )
    return tuple(
        MarkerPose(
            tooth="",
            seat_mm=b.seat_mm,
            axis=b.axis,
            clock=_known_clock(b),
            u95_position_mm=float(np.hypot(b.u95_position_mm, DEVICE_POSITION_MM)),
            u95_axis_deg=float(np.hypot(b.u95_axis_deg, DEVICE_AXIS_DEG)),
        )
        for b in bench.result(file, BODIES).bodies
    )


def _across(axis: Vector3, clock: Vector3 | None) -> Vector3 | None:
    """The clocking direction made square to the axis."""
    if clock is None:
        return None
    z = np.array(axis) / np.linalg.norm(axis)
    x = np.array(clock) - (np.array(clock) @ z) * z
    return vector(x / np.linalg.norm(x))


def poses_of(seen: Sequence[BodySeen | MarkerPose]) -> Poses:
    """Scan bodies or implant positions as they are compared."""
    unknown = (np.nan, np.nan, np.nan)
    return Poses(
        positions_mm=np.array([s.seat_mm for s in seen]).reshape(-1, 3),
        axes=np.array([s.axis for s in seen]).reshape(-1, 3),
        u95_position_mm=np.array([s.u95_position_mm for s in seen]),
        u95_axis_deg=np.array([s.u95_axis_deg for s in seen]),
        clocks=np.array([_known_clock(s) or unknown for s in seen]).reshape(-1, 3),
    )


def _known_clock(seen: BodySeen | MarkerPose) -> Vector3 | None:
    """The clocking direction, where it is sure."""
    return None if isinstance(seen, BodySeen) and seen.u95_clock_deg is None else seen.clock


def _told(told: Comparison, a: Poses, b: Poses) -> dict[str, object]:
    in_a = [int(i) for i in told.pairs[:, 0]]
    u95 = np.hypot(a.u95_position_mm[told.pairs[:, 0]], b.u95_position_mm[told.pairs[:, 1]])
    suspects = told.suspects
    k = len(in_a)
    return {
        "pairs": tuple(_pair(told, row, a, b) for row in range(k)),
        "only_in_jaw": told.only_in_a,
        "only_in_markers": told.only_in_b,
        "T_jaw_markers": tuple((float(r[0]), float(r[1]), float(r[2]), float(r[3])) for r in told.T_a_b),
        "rms_mm": told.rms_mm,
        "distances": tuple(
            Distance(
                bodies=(in_a[i], in_a[j]),
                off_mm=float(told.pair_mm[i, j]),
                off_deg=float(told.pair_axis_deg[i, j]),
                u95_mm=float(np.hypot(u95[i], u95[j])) * LINE_95 / BALL_95,
            )
            for i in range(k)
            for j in range(i + 1, k)
        ),
        "scale_ratio": told.scale.ratio,
        "scale_u95_ratio": told.scale.u95,
        "hand": Hands(told.hand.value),
        "is_ambiguous": told.is_ambiguous,
        "account": suspects.account.value if suspects else "",
        "named": tuple(in_a[row] for row in suspects.named) if suspects else (),
        "odds": min(suspects.odds, 1e6) if suspects else None,
        "ways": tuple(
            WaySeen(way=c.way.value, size_mm=c.size_mm, u95_mm=c.u95_mm) for c in told.shape.changes
        ),
    }


def _pair(told: Comparison, row: int, a: Poses, b: Poses) -> PairSeen:
    i, j = int(told.pairs[row, 0]), int(told.pairs[row, 1])
    alone = told.suspects.displacements[row] if told.suspects else None
    ball = float(np.hypot(a.u95_position_mm[i], b.u95_position_mm[j]))
    return PairSeen(
        body=i,
        marker=j,
        shift_mm=vector(told.shift_mm[row]),
        u95_mm=ball,
        residual_mm=float(told.residual_mm[row]),
        u95_residual_mm=ball * LINE_95 / BALL_95,
        axis_deg=float(told.axis_deg[row]),
        u95_axis_deg=float(np.hypot(a.u95_axis_deg[i], b.u95_axis_deg[j])) * LINE_95 / CONE_95,
        left_out_mm=None if told.leave_one_out_mm is None else float(told.leave_one_out_mm[row]),
        off_mm=alone.size_mm if alone else None,
        off_u95_mm=alone.u95_shift_mm if alone else None,
        off_deg=alone.tilt_deg if alone else None,
        off_u95_deg=alone.u95_tilt_deg if alone else None,
    )


MARKERS = CaseMeasure(
    name="markers.against_jaw",
    revision=2,
    result=MarkersResult,
    roles=frozenset({Role.JAW, Role.MARKERS}),
    compute=_measure,
    needs=(BODIES,),
)
