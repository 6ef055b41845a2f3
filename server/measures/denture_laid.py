"""How the denture lies on a scan of the working jaw: by its imprints where these go with the jaw's scan bodies, since tissue
gives and bodies do not, and a fit to the tissue would tilt the denture until a swelling hardly showed; else as the joint
frame has it.
"""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import suppress
from dataclasses import dataclass
from enum import StrEnum

import numpy as np
from numpy.typing import NDArray

from server.measures.bench import CaseBench
from server.measures.bodies import BODIES
from server.measures.frames import JointResult
from server.measures.imprints import CARRIED_MM, IMPRINTS
from server.measures.markers import poses_of
from server.measures.measure import NotMeasured
from server.metrology.constellation.compare import compare
from server.metrology.constellation.poses import MOST_POSES
from server.metrology.impression.differences import Differences
from server.metrology.registration.certainty import Certainty
from server.metrology.rigid import inverse
from server.records.roles import Role

SAME_IMPRINTS_MM = 0.25
"""Imprints that lie on the jaw's bodies within this (root mean square) are theirs."""
LEAST_IMPRINTS = 4

Floats = NDArray[np.float64]


class Laid(StrEnum):
    """How denture and tissue were laid on each other."""

    JOINT = "joint frame"
    IMPRINTS = "imprints"
    NOT = "not"


@dataclass(frozen=True, slots=True)
class ByImprints:
    """T: T_jaw_denture where n imprints go with the jaw's scan bodies, with rms_mm left; None where they do not."""

    T: Floats | None = None
    n: int = 0
    rms_mm: float = 0.0

    @property
    def u95_mm(self) -> float:
        """Of a shift of the denture on its imprints."""
        return 1.96 * max(self.rms_mm, CARRIED_MM) * float(np.sqrt(2.0 / self.n))


@dataclass(frozen=True, slots=True)
class Way:
    """T: T_tissue_denture. own_mm: U95 of how the denture is held on its imprints, 0 where it lies as the joint frame has it;
    certainty: of everything else, in the tissue's frame, None where nothing is uncertain."""

    laid: Laid
    T: Floats
    own_mm: float
    certainty: Certainty | None

    def u95_mm(self, seen: Differences) -> float:
        """By how much differences are uncertain because of how the records were laid on each other: along the tissue's
        normal, in the middle of all places."""
        if self.certainty is None:
            return self.own_mm
        few = slice(None, None, max(1, len(seen.at) // 2000))
        at, normals = seen.at[few] - self.certainty.centre, seen.normals[few]
        J = np.hstack([np.cross(at, normals), normals])
        along = np.sqrt(np.einsum("ni,ij,nj->n", J, self.certainty.covariance, J))
        return float(np.hypot(self.own_mm, 1.96 * np.median(along)))


def jaw_scans(bench: CaseBench, joint: JointResult) -> Iterator[str]:
    """The scans of the working jaw that have a place in the joint frame, those of the tissue first."""
    for role in (Role.TISSUE, Role.JAW):
        for file in bench.files_of(role):
            placed = joint.of(file)
            if placed is not None and placed.T_root_record:
                yield file


def by_imprints(bench: CaseBench, denture: str) -> ByImprints:
    """The denture on the jaw's scan bodies by its imprints."""
    jaw = next(iter(bench.files_of(Role.JAW)), None)
    with suppress(NotMeasured):
        imprints = bench.result(denture, IMPRINTS).bodies
        bodies = bench.result(jaw, BODIES).bodies if jaw is not None else ()
        if not imprints or not bodies or max(len(imprints), len(bodies)) > MOST_POSES:
            return ByImprints()
        told = compare(poses_of(bodies), poses_of(imprints))
        if told is not None and not told.is_ambiguous and not told.is_mirrored:
            n = len(told.pairs)
            if n >= LEAST_IMPRINTS and told.rms_mm < SAME_IMPRINTS_MM:
                return ByImprints(told.T_a_b, n, told.rms_mm)
    return ByImprints()


def way_onto(
    bench: CaseBench, joint: JointResult, tissue: str, denture: str, imprints: ByImprints
) -> Way | None:
    """How the denture lies on a scan that has a place in the joint frame; None where nothing tells."""
    jaw = next(iter(bench.files_of(Role.JAW)), None)
    T_tissue_root, held = _back(joint, tissue)
    root_jaw = joint.of(jaw) if jaw is not None else None
    if imprints.T is not None and root_jaw is not None and root_jaw.T_root_record:
        T = T_tissue_root @ root_jaw.motion @ imprints.T
        return Way(Laid.IMPRINTS, T, imprints.u95_mm, held)
    placed = joint.of(denture)
    if placed is None or not placed.T_root_record:
        return None
    certainty = placed.held.certainty.carried(T_tissue_root) if placed.held else None
    return Way(Laid.JOINT, T_tissue_root @ placed.motion, 0.0, certainty)


def _back(joint: JointResult, tissue: str) -> tuple[Floats, Certainty | None]:
    """T_tissue_root, and how well it is known, in the tissue's frame."""
    placed = joint.of(tissue)
    assert placed is not None
    back = inverse(placed.motion)
    return back, placed.held.certainty.carried(back) if placed.held else None
