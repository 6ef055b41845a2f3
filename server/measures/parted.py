"""`denture.parted`: the impression side of the denture as the scans of the jaw it was laid on know it.

The sides told from the denture alone stand where these scans bear them out; where they speak against them over more than
AGAINST_RATIO of the impression side, or no sides were told, the surface is parted anew with what they say. Nothing here is
circular: how records lie on each other, and where imprints are, rests on whole surfaces or on the denture alone.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from server.measures.bodies import BODIES
from server.measures.case_bench import CaseBench
from server.measures.denture_laid import by_imprints, jaw_scans, way_onto
from server.measures.facing import FACING
from server.measures.frames import JOINT, JointResult
from server.measures.imprints import IMPRINTS
from server.measures.measure import CaseMeasure, NotMeasured, Result
from server.measures.sides import SIDES, packed, positive_in, unpacked
from server.metrology.impression.lying import Lain, known_by
from server.metrology.impression.positive import Positive, positive_of
from server.metrology.impression.sides import sides_of
from server.metrology.registration.surface import Surface
from server.records.roles import Role

AGAINST_RATIO = 0.01
"""Along the rounding of the border, where the sides meet, scans and shape differ by up to half of this; our own proposal."""
BORNE_OUT_RATIO = 0.5
"""An impression side of which this much is known to lie on the jaw is one, however its border looks."""

Floats = NDArray[np.float64]
Mask = NDArray[np.bool_]


class PartedResult(Result):
    """denture: its file. scans: those it was laid on. known_ratio: share of its surface of which they
    say something; borne_out_ratio: share of the impression side they bear out; against_ratio: what they spoke against of the
    sides told from the denture alone, as a share of that impression side, None where none were told. is_anew: whether it was
    parted anew. untold: why the sides are not told, "" where they are. impression_b64: which facets are of the impression
    side, bits, packed.
    """

    denture: str
    scans: tuple[str, ...]
    known_ratio: float
    borne_out_ratio: float
    against_ratio: float | None
    is_anew: bool
    impression_mm2: float
    untold: str
    impression_b64: str

    @property
    def is_impression(self) -> Mask:
        """(m,) by facet."""
        return unpacked(self.impression_b64)


@dataclass(frozen=True, slots=True)
class _Known:
    """values: (m,) what the scans say of each facet, as `known_by` has it."""

    values: Floats
    areas_mm2: Floats

    @property
    def ratio(self) -> float:
        return float(self.areas_mm2[self.values != 0.0].sum() / self.areas_mm2.sum())

    def borne_out(self, side: Mask) -> float:
        """Share of a side that is known to lie on the scans."""
        return self._of(side, side & (self.values > 0.0))

    def against(self, side: Mask) -> float:
        """What is known to be otherwise, as a share of the side."""
        return self._of(side, np.where(side, self.values < 0.0, self.values > 0.0))

    def _of(self, side: Mask, part: Mask) -> float:
        return float(self.areas_mm2[part].sum() / max(float(self.areas_mm2[side].sum()), 1e-9))


@dataclass(frozen=True, slots=True)
class _Told:
    """A side, (m,) by facet, and whether its border alone tells it."""

    side: Mask
    is_sure: bool


def _measure(bench: CaseBench) -> PartedResult:
    dentures = bench.files_of(Role.DENTURE)
    if not dentures:
        raise NotMeasured("no denture came")
    denture = dentures[0]
    lain = _lain(bench, bench.together(JOINT), denture)
    if not lain:
        raise NotMeasured("the denture was laid on no scan of the working jaw")
    bench.result(denture, FACING)
    surface = bench.records[denture].outward
    known = _Known(known_by(surface.topology, tuple(lain.values())), surface.topology.areas_mm2)
    alone = _alone(bench, denture)
    against = known.against(alone.side) if alone is not None else None
    stands = against is not None and against <= AGAINST_RATIO
    told = alone if alone is not None and stands else _anew(surface, known)
    borne_out = known.borne_out(told.side)
    is_told = told.is_sure or borne_out > BORNE_OUT_RATIO
    return PartedResult(
        denture=denture,
        scans=tuple(lain),
        known_ratio=known.ratio,
        borne_out_ratio=borne_out,
        against_ratio=against,
        is_anew=not stands,
        impression_mm2=float(known.areas_mm2[told.side].sum()),
        untold=""
        if is_told
        else "neither its border nor the jaw tells an impression side from an outer side",
        impression_b64=packed(told.side),
    )


def _lain(bench: CaseBench, joint: JointResult, denture: str) -> dict[str, Lain]:
    """The scans of the working jaw that the denture lies on, by file, and how."""
    imprints = by_imprints(bench, denture)
    ways = {file: way_onto(bench, joint, file, denture, imprints) for file in jaw_scans(bench, joint)}
    return {file: Lain(bench.records[file].outward, way.T) for file, way in ways.items() if way is not None}


def _alone(bench: CaseBench, denture: str) -> _Told | None:
    """The impression side told from the denture alone; None where its surface has no two sides."""
    sides = bench.result(denture, SIDES)
    return _Told(sides.is_impression, sides.is_sure) if sides.impression_mm2 > 0.0 else None


def _anew(surface: Surface, known: _Known) -> _Told:
    try:
        sides = sides_of(surface.topology, surface.tree, known.values)
    except ValueError as answer:
        raise NotMeasured("the surface has no two sides") from answer
    return _Told(sides.is_impression, sides.is_sure)


def best_positive(bench: CaseBench, denture: str) -> Positive:
    """The positive of a denture by the scans it was laid on, else by the denture alone, in its file frame, mm. Raises
    NotMeasured where its sides could not be told."""
    told = bench.together_or_none(PARTED)
    if told is None or told.denture != denture or told.untold:
        bench.result(denture, SIDES)
        return positive_in(bench.records[denture])
    return positive_of(bench.records[denture].outward.topology, told.is_impression)


PARTED = CaseMeasure(
    name="denture.parted",
    revision=1,
    result=PartedResult,
    roles=frozenset({Role.DENTURE, Role.JAW, Role.TISSUE}),
    compute=_measure,
    needs=(BODIES, FACING, SIDES, IMPRINTS),
    builds_on=(JOINT,),
)
