"""`bite.meeting`: whether the two jaws came in a frame in which they meet as in a bite. Asked where no bite scan tells."""

from __future__ import annotations

from server.measures.bench import RecordBench
from server.measures.facing import FACING
from server.measures.measure import PairMeasure, Result
from server.metrology.bite.meeting import Jaws, meeting_in_one_frame
from server.records.roles import Role

REACH_MM = {Role.DENTURE: 3.0, Role.JAW: 16.0, Role.TISSUE: 18.0}
"""How far from the other jaw's teeth what the working record shows may be: a ridge stands back by the height of a bridge."""


class MeetingResult(Result):
    """facing_mm2: of the opposing jaw, looking at the working one; deep_ratio: share of it deep inside that."""

    jaws: Jaws
    facing_mm2: float
    deep_ratio: float


def _measure(opposing: RecordBench, working: RecordBench) -> MeetingResult:
    met = meeting_in_one_frame(opposing.outward, working.outward, REACH_MM[working.role])
    return MeetingResult(jaws=met.jaws, facing_mm2=met.facing_mm2, deep_ratio=met.deep_ratio)


MEETING = PairMeasure(
    name="bite.meeting",
    revision=1,
    result=MeetingResult,
    roles=frozenset((Role.OPPOSING, role) for role in REACH_MM),
    compute=_measure,
    needs=(FACING,),
)
