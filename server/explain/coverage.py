"""What a coverage figure shows of one scan body: the shares caught by turn and height, and which way is which."""

from __future__ import annotations

from enum import StrEnum

import numpy as np
from numpy.typing import NDArray
from pydantic import BaseModel, ConfigDict

from server.measures.arch import pose_of
from server.measures.bodies import BodySeen
from server.measures.sites import SitesResult
from server.measures.vectors import Vector3
from server.rules.body_evidence import BodyAt

EIGHTH_DEG = 45.0
BAND_MM = 1.0
LEAST_BODIES = 3
LEAST_OUTWARD_MM = 3.0
MIDLINE_MM = 4.0
LEAST_MISSED = 0.1
LEAST_PULL = 0.3
"""Of all that was missed: what must lie to one side for a side to be named."""

Floats = NDArray[np.float64]


class Side(StrEnum):
    """Which way a part of a body faces; empty where the jaw does not show it."""

    OUTER = "outer side (lip or cheek)"
    INNER = "inner side"
    MIDLINE = "side toward the midline"
    AWAY = "side away from the midline"
    UNTOLD = ""


class CoverageFigure(BaseModel):
    """One scan body, seen from above, its index mark at the top. Place and directions in its record's file frame, mm.

    name: of the picture. number: of the body in its record, from 1. by_eighth: shares caught of each eighth of the turn,
    the first from the index mark on, against the clock seen from above; by_height: rows of band_mm from the seat up, eight
    each; None where hardly any of it stands above the tissue. outward_deg: from the index mark to the outer side of the
    arch, against the clock; None where the jaw does not show it. weakest: the eighth least caught, from 1. missed_deg: from
    the index mark to the middle of what was missed, missed_side which way that faces; None and untold where hardly anything
    was missed, or as much all round. is_turn_known: whether the index was caught well enough to know the turn.
    """

    model_config = ConfigDict(frozen=True)

    name: str
    record: str
    role: str
    number: int
    site_index: int | None
    tooth: str
    body: str
    seat_mm: Vector3
    axis: Vector3
    clock: Vector3
    coverage_ratio: float
    by_eighth: tuple[float | None, ...]
    by_height: tuple[tuple[float | None, ...], ...]
    band_mm: float = BAND_MM
    top_ratio: float | None
    index_ratio: float | None
    beneath_ratio: float
    is_turn_known: bool
    outward_deg: float | None
    weakest: int | None
    missed_deg: float | None
    missed_side: Side
    says: str

    @property
    def title(self) -> str:
        if self.tooth:
            return f"Scan body at {self.tooth}"
        return f"Scan body no. {self.number}" + (" (no site told)" if self.site_index is None else "")


def coverage_figure(name: str, body: BodyAt, sites: SitesResult | None, seats_mm: Floats) -> CoverageFigure:
    """The figure of one body. sites: what is known of the jaw it stands in, None for a record that shows none; seats_mm:
    (n, 3) of all bodies of its record."""
    seen = body.seen
    outward = _outward(seen, sites, seats_mm) if sites is not None else None
    missed_deg = _missed_deg(seen.by_eighth)
    figure = CoverageFigure(
        name=name,
        record=body.record.file,
        role=body.record.role.value,
        number=body.number + 1,
        site_index=body.site_index,
        tooth=body.site.tooth if body.site else "",
        body=seen.body,
        seat_mm=seen.seat_mm,
        axis=seen.axis,
        clock=seen.clock,
        coverage_ratio=seen.coverage_ratio,
        by_eighth=seen.by_eighth,
        by_height=seen.by_height,
        top_ratio=seen.top_ratio,
        index_ratio=seen.index_ratio,
        beneath_ratio=seen.beneath_ratio,
        is_turn_known=seen.u95_clock_deg is not None,
        outward_deg=_turn_deg(seen, outward) if outward is not None else None,
        weakest=_weakest(seen.by_eighth),
        missed_deg=missed_deg,
        missed_side=_side(seen, missed_deg, outward, sites, seats_mm)
        if missed_deg is not None
        else Side.UNTOLD,
        says="",
    )
    return figure.model_copy(update={"says": _says(figure)})


def percent(share: float | None) -> str:
    """A share in whole percent; a stroke where there is none."""
    return "-" if share is None else f"{share * 100.0:.0f}"


def _says(figure: CoverageFigure) -> str:
    said = [
        f"{figure.title}, in {figure.record}: {percent(figure.coverage_ratio)} % of what stands above the tissue was caught"
    ]
    if figure.missed_side:
        said.append(f"missed most on its {figure.missed_side.value}")
    if figure.weakest is not None:
        share = figure.by_eighth[figure.weakest - 1] or 0.0
        is_weak = 1.0 - share >= LEAST_MISSED
        of = (
            f"of its weakest eighth, no. {figure.weakest},"
            if is_weak
            else "of every eighth of its turn at least"
        )
        said.append(f"{of} {percent(share)} %")
    if figure.top_ratio is not None:
        said.append(f"of its top {percent(figure.top_ratio)} %")
    if figure.index_ratio is not None:
        said.append(f"of its index mark {percent(figure.index_ratio)} %")
    turn = (
        ""
        if figure.is_turn_known
        else " How it is turned is not known, so the first eighth may begin anywhere."
    )
    return "; ".join(said) + "." + turn


def _weakest(shares: tuple[float | None, ...]) -> int | None:
    known = [(share, k + 1) for k, share in enumerate(shares) if share is not None]
    return min(known)[1] if known else None


def _missed_deg(shares: tuple[float | None, ...]) -> float | None:
    """The direction in which most was missed, from the index mark against the clock; None for less than LEAST_MISSED of
    an eighth, or where it lies as much all round."""
    missed = np.array([0.0 if share is None else 1.0 - share for share in shares])
    turn = np.radians((np.arange(len(shares)) + 0.5) * EIGHTH_DEG)
    pull = complex((missed * np.exp(1j * turn)).sum())
    if missed.max(initial=0.0) < LEAST_MISSED or abs(pull) < LEAST_PULL * missed.sum():
        return None
    return float(np.degrees(np.angle(pull)) % 360.0)


def _outward(seen: BodySeen, sites: SitesResult, seats_mm: Floats) -> Floats | None:
    """(3,) from the body away from the inside of the arch: from halfway between the two ends. None where the front of the
    jaw is not sure or too few bodies stand in it."""
    if (
        sites.front is None
        or sites.occlusal is None
        or not sites.is_front_sure
        or len(seats_mm) < LEAST_BODIES
    ):
        return None
    front, up = np.array(sites.front), np.array(sites.occlusal)
    across = seats_mm @ np.cross(front, up)
    middle = 0.5 * (seats_mm[int(across.argmin())] + seats_mm[int(across.argmax())])
    out = np.array(seen.seat_mm) - middle
    out = out - (out @ up) * up
    return np.asarray(front if np.linalg.norm(out) < LEAST_OUTWARD_MM else out / np.linalg.norm(out))


def _turn_deg(seen: BodySeen, direction: Floats) -> float:
    """From the clocking direction to another, about the axis, against the clock seen from above, 0 to 360."""
    T = pose_of(seen)
    return float(np.degrees(np.arctan2(T[:3, 1] @ direction, T[:3, 0] @ direction)) % 360.0)


def _side(
    seen: BodySeen, turn_deg: float, outward: Floats | None, sites: SitesResult | None, seats_mm: Floats
) -> Side:
    """Which way a turn from the index mark faces."""
    if outward is None or sites is None or sites.front is None or sites.occlusal is None:
        return Side.UNTOLD
    from_outward = (turn_deg - _turn_deg(seen, outward) + 180.0) % 360.0 - 180.0
    if abs(from_outward) <= 45.0:
        return Side.OUTER
    if abs(from_outward) >= 135.0:
        return Side.INNER
    across = seats_mm @ np.cross(np.array(sites.front), np.array(sites.occlusal))
    here = float(np.array(seen.seat_mm) @ np.cross(np.array(sites.front), np.array(sites.occlusal)))
    off_midline = here - 0.5 * float(across.min() + across.max())
    if abs(off_midline) < MIDLINE_MM:
        return Side.UNTOLD
    return Side.MIDLINE if (from_outward > 0.0) == (off_midline > 0.0) else Side.AWAY
