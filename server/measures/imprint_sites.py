"""`denture.positions`: which imprint of the denture is which site, and how implant positions from photogrammetry go with them.

Sites are told by the jaw's scan bodies where imprints go with these, else by order and spacing along the positive's arch.
Where there is no jaw scan, imprints are the only check of the positions; they are no carrier of a rigid definitive.
"""

from __future__ import annotations

from contextlib import suppress
from enum import StrEnum

import numpy as np
from numpy.typing import NDArray
from pydantic import BaseModel, ConfigDict

from server.measures.arch import pose_of
from server.measures.bench import RecordBench
from server.measures.bodies import BODIES, BodySeen
from server.measures.case_bench import CaseBench
from server.measures.denture_laid import imprints_on
from server.measures.imprints import IMPRINTS
from server.measures.markers import poses_of, positions_of
from server.measures.measure import CaseMeasure, NotMeasured, Result
from server.measures.relation import Rows, rows_of
from server.measures.sides import SIDES, positive_in
from server.measures.sites import SITES, paired_along_arch, sites_form_part
from server.metrology.arch import ArchFrame, arch_frame, occlusal_direction
from server.metrology.constellation.compare import compared
from server.metrology.constellation.poses import BALL_95, LINE_95
from server.metrology.impression.differences import Post
from server.metrology.topology import topology_of
from server.records.roles import Role

SAME_MM = 0.5
"""Imprints that are off the jaw's bodies by more than this (root mean square) are not theirs."""


class ToldBy(StrEnum):
    JAW = "jaw"
    ARCH = "arch"
    NOT = ""


class ImprintSite(BaseModel):
    """number: which of `denture.imprints`."""

    model_config = ConfigDict(frozen=True)

    site_index: int
    number: int


class MarkersOnImprints(BaseModel):
    """Positions laid on imprints by all they have in common, rigidly, det +1. T_denture_markers: rows; pairs: number of the
    imprint and of the position; residual_mm: by pair; largest_mm and u95_mm: the largest and its uncertainty."""

    model_config = ConfigDict(frozen=True)

    record: str
    fits: bool
    is_ambiguous: bool = False
    is_mirrored: bool = False
    T_denture_markers: Rows = ()
    pairs: tuple[tuple[int, int], ...] = ()
    residual_mm: tuple[float, ...] = ()
    largest_mm: float | None = None
    u95_mm: float | None = None
    largest_number: int | None = None


class ImprintSitesResult(Result):
    """denture: its file. told_by: how sites were told. sites: those with an imprint; empty_sites: loaded ones without; extra:
    numbers of imprints that are no site's; is_clear: no other pairing would do as well. markers: None where no positions
    came. serves: what places from imprints may carry."""

    denture: str
    n_imprints: int
    told_by: ToldBy
    sites: tuple[ImprintSite, ...]
    empty_sites: tuple[int, ...]
    extra: tuple[int, ...]
    is_clear: bool
    untold: str
    markers: MarkersOnImprints | None
    serves: str = "tissue and a luted provisional, never a rigid definitive"

    def site_of(self, number: int) -> int | None:
        """The site of an imprint; None where it is no site's."""
        return next((s.site_index for s in self.sites if s.number == number), None)


def _measure(bench: CaseBench) -> ImprintSitesResult:
    dentures = bench.files_of(Role.DENTURE)
    if not dentures:
        raise NotMeasured("no denture came")
    denture = dentures[0]
    imprints = bench.result(denture, IMPRINTS).bodies
    loaded = tuple(k for k, site in enumerate(bench.form.sites) if site.loaded)
    by, told, is_clear, untold = _by_jaw(bench, denture) or _by_arch(bench, denture, imprints, loaded)
    sited, numbers = {s.site_index for s in told}, {s.number for s in told}
    is_told = by is not ToldBy.NOT
    return ImprintSitesResult(
        denture=denture,
        n_imprints=len(imprints),
        told_by=by,
        sites=told,
        empty_sites=tuple(k for k in loaded if k not in sited) if is_told else (),
        extra=tuple(k for k in range(len(imprints)) if k not in numbers) if is_told else (),
        is_clear=is_clear,
        untold=untold,
        markers=_markers(bench, imprints),
    )


_Told = tuple[ToldBy, tuple[ImprintSite, ...], bool, str]


def _by_jaw(bench: CaseBench, denture: str) -> _Told | None:
    """The sites of the jaw's bodies that the imprints go with; None where they do not, or there is no jaw scan."""
    with suppress(NotMeasured):
        sites = bench.together(SITES)
        told = imprints_on(bench, sites.record, denture)
        if sites.untold or told is None or told.is_ambiguous or told.is_mirrored or told.rms_mm > SAME_MM:
            return None
        known = [(sites.site_of(int(i)), int(j)) for i, j in told.pairs]
        made = [ImprintSite(site_index=site, number=j) for site, j in known if site is not None]
        return ToldBy.JAW, tuple(sorted(made, key=lambda s: s.site_index)), sites.is_clear, ""
    return None


def _by_arch(
    bench: CaseBench, denture: str, imprints: tuple[BodySeen, ...], loaded: tuple[int, ...]
) -> _Told:
    pairing, (untold, _) = paired_along_arch(
        bench.form, loaded, imprints, _arch_of(bench.records[denture], imprints)
    )
    if pairing is None:
        return ToldBy.NOT, (), False, untold
    made = [ImprintSite(site_index=loaded[i], number=j) for i, j in pairing.pairs]
    return ToldBy.ARCH, tuple(sorted(made, key=lambda s: s.site_index)), pairing.is_clear, ""


def _arch_of(record: RecordBench, imprints: tuple[BodySeen, ...]) -> ArchFrame | None:
    """How the positive lies, without the imprints."""
    scan = positive_in(record).scan
    topology = topology_of(scan)
    occlusal = occlusal_direction(topology.normals, topology.areas_mm2)
    if occlusal is None:
        return None
    keep = np.ones(scan.n_vertices, dtype=bool)
    kinds = {kind.id: kind for kind in record.reference_bodies}
    for seen in imprints:
        kind = kinds[seen.body]
        keep &= ~Post(pose_of(seen), kind.reach_mm, kind.height_mm).holds(scan.vertices)
    return arch_frame(scan.vertices[keep], occlusal)


def _markers(bench: CaseBench, imprints: tuple[BodySeen, ...]) -> MarkersOnImprints | None:
    records = bench.files_of(Role.MARKERS)
    if not records:
        return None
    try:
        markers = poses_of(positions_of(bench, records[0]))
    except NotMeasured:
        return None
    told = compared(poses_of(imprints), markers)
    if told is None:
        return MarkersOnImprints(record=records[0], fits=False)
    worst = int(np.argmax(told.residual_mm))
    i, j = int(told.pairs[worst, 0]), int(told.pairs[worst, 1])
    ball = float(np.hypot(imprints[i].u95_position_mm, markers.u95_position_mm[j]))
    return MarkersOnImprints(
        record=records[0],
        fits=True,
        is_ambiguous=told.is_ambiguous,
        is_mirrored=told.is_mirrored,
        T_denture_markers=rows_of(told.T_a_b),
        pairs=tuple((int(a), int(b)) for a, b in told.pairs),
        residual_mm=_floats(told.residual_mm),
        largest_mm=float(told.residual_mm[worst]),
        u95_mm=ball * LINE_95 / BALL_95,
        largest_number=i,
    )


def _floats(values: NDArray[np.float64]) -> tuple[float, ...]:
    return tuple(float(v) for v in values)


IMPRINT_SITES = CaseMeasure(
    name="denture.positions",
    revision=1,
    result=ImprintSitesResult,
    roles=frozenset({Role.DENTURE, Role.MARKERS}),
    compute=_measure,
    needs=(BODIES, SIDES, IMPRINTS),
    builds_on=(SITES,),
    form_part=sites_form_part,
)
