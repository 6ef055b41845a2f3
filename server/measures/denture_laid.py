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

from server.measures.bodies import BODIES
from server.measures.case_bench import CaseBench
from server.measures.frames import JointResult
from server.measures.imprints import CARRIED_MM, IMPRINTS
from server.measures.markers import poses_of
from server.measures.measure import NotMeasured
from server.metrology.constellation.compare import Comparison, compared
from server.metrology.registration.certainty import Certainty
from server.metrology.rigid import inverse
from server.metrology.scan import Points
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
    """T: T_jaw_denture where n imprints go with the jaw's scan bodies, with rms_mm left, and how well it is held by them, in the
    jaw's frame; None where they do not."""

    T: Floats | None = None
    n: int = 0
    rms_mm: float = 0.0
    certainty: Certainty | None = None


@dataclass(frozen=True, slots=True)
class Way:
    """T: T_tissue_denture. certainty: in the tissue's frame, None where nothing is uncertain."""

    laid: Laid
    T: Floats
    certainty: Certainty | None

    def sigma_mm(self, at: Points, normals: Points) -> Floats:
        """(n,) standard deviation of differences at places (n, 3) along normals (n, 3) of the tissue, because of how the
        records were laid on each other."""
        if self.certainty is None:
            return np.zeros(len(at))
        J = np.hstack([np.cross(at - self.certainty.centre, normals), normals])
        return np.asarray(np.sqrt(np.einsum("ni,ij,nj->n", J, self.certainty.covariance, J)))


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
    if jaw is None:
        return ByImprints()
    with suppress(NotMeasured):
        bodies = bench.result(jaw, BODIES).bodies
        told = imprints_on(bench, jaw, denture)
        if told is not None and not told.is_ambiguous and not told.is_mirrored:
            n = len(told.pairs)
            if n >= LEAST_IMPRINTS and told.rms_mm < SAME_IMPRINTS_MM:
                seats = np.array([bodies[i].seat_mm for i in told.pairs[:, 0]])
                return ByImprints(told.T_a_b, n, told.rms_mm, held_by_imprints(seats, told.rms_mm))
    return ByImprints()


def imprints_on(bench: CaseBench, jaw: str, denture: str) -> Comparison | None:
    """A denture's imprints against a jaw's scan bodies; None where they cannot be compared at all. Raises NotMeasured."""

    def made() -> Comparison | None:
        bodies, imprints = bench.result(jaw, BODIES).bodies, bench.result(denture, IMPRINTS).bodies
        return compared(poses_of(bodies), poses_of(imprints))

    return bench.once(f"{denture}: imprints on {jaw}", made)


def held_by_imprints(seats: Points, rms_mm: float) -> Certainty:
    """How well a denture is held by its imprints on bodies with these seats (n, 3), each side of a pair known to what is left
    over, CARRIED_MM at least."""
    centre = seats.mean(axis=0)
    J = np.vstack([np.hstack([np.cross(np.eye(3), seat - centre).T, np.eye(3)]) for seat in seats])
    spread = 2.0 * max(rms_mm, CARRIED_MM) ** 2
    arm = float(np.sqrt(((seats - centre) ** 2).sum(axis=1).mean()))
    held, freedom = np.linalg.pinv(J.T @ J), 3 * len(seats) - 6
    return Certainty(spread * held, centre, freedom, arm, np.zeros((0, 6)))


def way_onto(
    bench: CaseBench, joint: JointResult, tissue: str, denture: str, imprints: ByImprints
) -> Way | None:
    """How the denture lies on a scan that has a place in the joint frame; None where nothing tells."""
    jaw = next(iter(bench.files_of(Role.JAW)), None)
    T_tissue_root, held = _back(joint, tissue)
    root_jaw = joint.of(jaw) if jaw is not None else None
    if imprints.T is not None and root_jaw is not None and root_jaw.T_root_record:
        T_tissue_jaw = T_tissue_root @ root_jaw.motion
        own = imprints.certainty.carried(T_tissue_jaw) if imprints.certainty else None
        both = own.plus(held) if own is not None and held is not None else own or held
        return Way(Laid.IMPRINTS, T_tissue_jaw @ imprints.T, both)
    placed = joint.of(denture)
    if placed is None or not placed.T_root_record:
        return None
    certainty = placed.held.certainty.carried(T_tissue_root) if placed.held else None
    return Way(Laid.JOINT, T_tissue_root @ placed.motion, certainty)


def _back(joint: JointResult, tissue: str) -> tuple[Floats, Certainty | None]:
    """T_tissue_root, and how well it is known, in the tissue's frame."""
    placed = joint.of(tissue)
    assert placed is not None
    back = inverse(placed.motion)
    return back, placed.held.certainty.carried(back) if placed.held else None
