"""Whose implant positions count, and where they are in the joint frame.

With positions from photogrammetry these govern, laid on the jaw scan by all of them together; else the scan bodies of the jaw
scan do. Where the two do not go together, the jaw's own stand, and the rules of the positions say so. Without a jaw scan the
imprints in the denture carry the positions laid on them, or where none came, stand for them.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum

import numpy as np
from numpy.typing import NDArray

from server.measures.against import Missing
from server.measures.bodies import BODIES, BodySeen
from server.measures.case_bench import CaseBench
from server.measures.frames import JointResult
from server.measures.imprint_sites import IMPRINT_SITES, ImprintSitesResult
from server.measures.imprints import IMPRINTS
from server.measures.markers import MARKERS, Hands, MarkerPose, MarkersResult, positions_of
from server.measures.measure import NotMeasured
from server.measures.sites import SITES
from server.metrology.constellation.poses import BALL_95
from server.metrology.rigid import apply, turn
from server.records.roles import Role

Floats = NDArray[np.float64]


class Source(StrEnum):
    MARKERS = "markers"
    JAW = "jaw"
    JAW_BY_HAND = "jaw-by-hand"
    IMPRINTS = "imprints"

    @property
    def words(self) -> str:
        return _WORDS[self]


_WORDS = {
    Source.MARKERS: "implant positions",
    Source.JAW: "scan bodies of the jaw scan",
    Source.JAW_BY_HAND: "scan bodies of the jaw scan, placed by hand",
    Source.IMPRINTS: "imprints in the denture",
}


@dataclass(frozen=True, slots=True)
class SitePosition:
    """The seat of a site's reference body in the joint frame, mm, its axis and clocking (3,) unit; body: its kind; source:
    where it comes from."""

    site_index: int
    body: str
    source: Source
    seat: Floats
    axis: Floats
    clock: Floats
    u95_position_mm: float
    u95_axis_deg: float

    @property
    def T(self) -> Floats:  # noqa: N802 - a transform, named as all are
        """(4, 4) joint frame from the body's frame."""
        T = np.eye(4)
        T[:3, 0], T[:3, 2], T[:3, 3] = self.clock, self.axis, self.seat
        T[:3, 1] = np.cross(self.axis, self.clock)
        return T


def governing_positions(bench: CaseBench, joint: JointResult) -> tuple[SitePosition, ...]:
    """The positions that count, one for each site that has one, in the form's order.

    Raises NotMeasured where no record shows them, or which is which could not be told.
    """
    if not bench.files_of(Role.JAW):
        return _by_imprints(bench, joint)
    sites = bench.together(SITES)
    if sites.untold:
        says = f"which body is which site could not be told: {sites.untold}"
        raise NotMeasured(says, because=sites.untold_because)
    placed = joint.of(sites.record)
    if placed is None or not placed.T_root_record:
        raise NotMeasured("the jaw scan could not be brought to the other records", because="surface/no-fit")
    seen = bench.result(sites.record, BODIES).bodies
    told = _told_markers(bench)
    found = (
        _position(site.site_index, seen[site.number], site.number, told, placed.motion)
        for site in sites.sites
    )
    return tuple(found)


def _by_imprints(bench: CaseBench, joint: JointResult) -> tuple[SitePosition, ...]:
    """By the imprints in the denture, where there is no jaw scan."""
    if not bench.files_of(Role.DENTURE):
        raise NotMeasured("there is no jaw scan with scan bodies")
    sites = bench.together(IMPRINT_SITES)
    if sites.untold:
        raise NotMeasured(f"which imprint is which site could not be told: {sites.untold}")
    placed = joint.of(sites.denture)
    if placed is None or not placed.T_root_record:
        raise NotMeasured("the denture could not be brought to the other records", because="surface/no-fit")
    T, seen = placed.motion, bench.result(sites.denture, IMPRINTS).bodies
    laid, markers = sites.markers, _markers_laid(bench, sites)
    found = []
    for site in sites.sites:
        own = _of_body(site.site_index, seen[site.number], Source.IMPRINTS, T)
        number = next((m for i, m in laid.pairs if i == site.number), None) if laid and markers else None
        if number is None or laid is None:
            found.append(own)
            continue
        rms = float(np.sqrt(np.mean(np.square(laid.residual_mm))))
        T_markers = T @ np.array(laid.T_denture_markers)
        found.append(_of_marker(own, markers[number], T_markers, rms, len(laid.pairs)))
    return tuple(found)


def _markers_laid(bench: CaseBench, sites: ImprintSitesResult) -> tuple[MarkerPose, ...]:
    """The positions from photogrammetry, where they go with the imprints in one way; else none."""
    laid = sites.markers
    if laid is None or not laid.fits or laid.is_ambiguous or laid.is_mirrored:
        return ()
    try:
        return positions_of(bench, laid.record)
    except NotMeasured:
        return ()


def _told_markers(bench: CaseBench) -> MarkersResult | None:
    """The comparison of positions and jaw scan where the positions can govern."""
    told = bench.together_or_none(MARKERS) if bench.files_of(Role.MARKERS) else None
    if told is None or not told.fits or told.is_ambiguous or told.hand is Hands.MIRRORED:
        return None
    return told


def _position(
    index: int, seen: BodySeen, number: int, told: MarkersResult | None, T_root_jaw: Floats
) -> SitePosition:
    own = _of_body(index, seen, Source.JAW_BY_HAND if seen.by_hand else Source.JAW, T_root_jaw)
    pair = next((p for p in told.pairs if p.body == number), None) if told else None
    if told is None or pair is None:
        return own
    T = T_root_jaw @ np.array(told.T_jaw_markers)
    return _of_marker(own, told.markers[pair.marker], T, told.rms_mm or 0.0, len(told.pairs))


def _of_body(index: int, seen: BodySeen, source: Source, T_root_record: Floats) -> SitePosition:
    axis, clock = turn(T_root_record, np.array([seen.axis, seen.clock]))
    return SitePosition(
        site_index=index,
        body=seen.body,
        source=source,
        seat=apply(T_root_record, np.array([seen.seat_mm]))[0],
        axis=axis,
        clock=_square(clock, axis),
        u95_position_mm=seen.u95_position_mm,
        u95_axis_deg=seen.u95_axis_deg,
    )


def _of_marker(
    own: SitePosition, marker: MarkerPose, T_root_markers: Floats, rms_mm: float, n_pairs: int
) -> SitePosition:
    """The same site by its position from photogrammetry. rms_mm: how far the n_pairs positions lie off what they are laid on."""
    axis = turn(T_root_markers, np.array([marker.axis]))[0]
    laid = BALL_95 * rms_mm / np.sqrt(3.0 * n_pairs)
    return SitePosition(
        site_index=own.site_index,
        body=own.body,
        source=Source.MARKERS,
        seat=apply(T_root_markers, np.array([marker.seat_mm]))[0],
        axis=axis,
        clock=_square(own.clock, axis),
        u95_position_mm=float(np.hypot(marker.u95_position_mm, laid)),
        u95_axis_deg=marker.u95_axis_deg,
    )


def _square(clock: Floats, axis: Floats) -> Floats:
    """The clocking direction made square to the axis."""
    x = clock - (clock @ axis) * axis
    return np.asarray(x / np.linalg.norm(x))


def positions_or_why(bench: CaseBench, joint: JointResult) -> tuple[tuple[SitePosition, ...], Missing | None]:
    """The positions that count; where there are none, why."""
    try:
        return governing_positions(bench, joint), None
    except NotMeasured as answer:
        return (), Missing(says=answer.says, because=answer.because)
