"""What rules about the joint frame ask first: how records lie on each other, and which of them show the mouth mirrored."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass

from server.measures.frames import JOINT, JointResult
from server.measures.markers import MARKERS, Hands
from server.measures.relation import TOLD, Came
from server.rules.evidence import CaseEvidence, Lacking


@dataclass(frozen=True, slots=True)
class HandsSeen:
    """Which records are mirror images. mirrored: those outvoted; torn: groups in which as many speak for either hand,
    each with both sides; agreed: records found to have one hand."""

    mirrored: tuple[str, ...]
    torn: tuple[tuple[tuple[str, ...], tuple[str, ...]], ...]
    agreed: tuple[str, ...]


def joint_of(case: CaseEvidence) -> JointResult:
    """The joint frame. Raises Lacking where no two records could be compared."""
    if JOINT.name not in case.measurements:
        raise Lacking("there are no two scans to be laid on each other")
    return case.result(JOINT)


def hands_of(case: CaseEvidence) -> HandsSeen:
    """Records that fit each other are of one hand, those that fit only mirrored of two; the majority has the mouth's.
    Raises Lacking where nothing could be compared."""
    same: dict[str, list[tuple[str, bool]]] = {}
    for one, other, is_same in _pairs(case):
        same.setdefault(one, []).append((other, is_same))
        same.setdefault(other, []).append((one, is_same))
    mirrored: list[str] = []
    torn: list[tuple[tuple[str, ...], tuple[str, ...]]] = []
    agreed: list[str] = []
    seen: set[str] = set()
    for start in sorted(same):
        if start in seen:
            continue
        sides = _sides(start, same)
        seen.update(*sides)
        few, many = sorted(sides, key=len)
        if not few:
            agreed += many
        elif len(few) < len(many):
            mirrored += few
            agreed += many
        else:
            torn.append((few, many))
    return HandsSeen(tuple(mirrored), tuple(torn), tuple(agreed))


def _pairs(case: CaseEvidence) -> Iterable[tuple[str, str, bool]]:
    """Pairs of records compared, and whether they have one hand."""
    for link in joint_of(case).links:
        if link.came in TOLD or link.came is Came.MIRRORED:
            yield link.moving, link.fixed, link.came in TOLD
    told = case.result_or_none(MARKERS)
    if told is not None and told.fits and told.hand is not Hands.UNTOLD:
        yield told.record, told.jaw, told.hand is Hands.SAME


def _sides(start: str, same: Mapping[str, list[tuple[str, bool]]]) -> tuple[tuple[str, ...], tuple[str, ...]]:
    """The records that hang together with `start`, those of its hand and those of the other. A contradiction, which a
    scan alike from both hands could make, is settled by what was found first."""
    hand, waiting = {start: True}, [start]
    while waiting:
        one = waiting.pop(0)
        for other, is_same in same[one]:
            if other not in hand:
                hand[other] = hand[one] is is_same
                waiting.append(other)
    own = tuple(sorted(f for f, is_own in hand.items() if is_own))
    return own, tuple(sorted(f for f, is_own in hand.items() if not is_own))
