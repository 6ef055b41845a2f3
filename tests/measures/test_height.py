"""How the other jaw stood before, from scans of landscapes whose true place is known; the phantoms' faults ask the whole way."""

from __future__ import annotations

import numpy as np
import pytest

from server.measures.case_bench import CaseBench
from server.measures.frames import JOINT
from server.measures.height import HEIGHT, HeightResult, Known, _old_relations
from server.measures.measure import Status
from server.metrology.registration.joining import Relation
from server.metrology.rigid import angle_deg, apply, inverse
from server.metrology.scan import Scan
from tests.measures.mouths import GUM, OTHER, UP_24, LandMouth, _joined
from tests.metrology.registration.landscapes import frame, meshed

CLOSER = np.array([0.0, 0.0, -2.0])
"""Before, the other jaw stood 2 mm closer."""
USED = ("jaw.stl", "opposing.stl", "bite-left.stl", "bite-right.stl", "denture.stl")


def mouth(*, is_one_file: bool = False, other: bool = True) -> LandMouth:
    """The mouth with scans from before, each of noise of its own: the working jaw, and the other as it stood then."""
    made = LandMouth()
    working, above = meshed(GUM, 61), meshed(OTHER, 62, is_turned=True)
    stood = Scan(above.vertices + UP_24 + CLOSER, above.faces)
    if is_one_file:
        made.records["before.stl"] = _joined(working, stood)
    else:
        made.records["before.stl"] = working
        if other:
            made.records["before-2.stl"] = stood
    return made


def told(bench: CaseBench, made: LandMouth) -> tuple[Known, np.ndarray] | None:
    """How it is known, and how far what is said of the other jaw's old place is off the truth at its corners, mm."""
    joint = bench.together(JOINT)
    placed = joint.of("opposing.stl")
    assert placed is not None
    assert placed.held is not None
    new = Relation(placed.motion, placed.held.certainty)
    old = next(_old_relations(bench, joint, "opposing.stl", new), None)
    if old is None:
        return None
    shift = np.eye(4)
    shift[:3, 3] = CLOSER
    T_jaw = made.T.get("jaw.stl", np.eye(4))
    true = T_jaw @ shift @ inverse(made.T.get("opposing.stl", np.eye(4)))
    points = made.records["opposing.stl"].vertices[::500]
    assert angle_deg(inverse(true) @ old.relation.T) < 0.2
    return old.known, np.linalg.norm(apply(old.relation.T, points) - apply(true, points), axis=1)


@pytest.mark.parametrize(
    ("is_one_file", "known"), [(False, Known.TWO_FILES), (True, Known.BOTH_JAWS)], ids=["two", "one"]
)
def test_both_jaws_from_before_tell_how_they_stood(is_one_file: bool, known: Known) -> None:
    made = mouth(is_one_file=is_one_file)
    own = frame(77)
    for file in ("before.stl", "before-2.stl"):
        if file in made.records:
            made.moved(file, own)
    made.moved("opposing.stl", frame(78))
    found = told(made.bench(*USED, *[f for f in made.records if f.startswith("before")]), made)
    assert found is not None
    assert found[0] is known
    assert found[1].mean() < 0.06


def test_the_opposing_scan_in_the_frame_from_before_tells_it_too() -> None:
    made = mouth(other=False)
    own = frame(77)
    made.moved("before.stl", own)
    shift = np.eye(4)
    shift[:3, 3] = CLOSER
    made.moved("opposing.stl", own @ shift)
    found = told(made.bench(*USED, "before.stl"), made)
    assert found is not None
    assert found[0] is Known.OPPOSING_FRAME
    assert found[1].mean() < 0.06


@pytest.mark.parametrize("is_moved", [False, True])
def test_the_working_jaw_alone_says_nothing_of_the_height(is_moved: bool) -> None:
    made = mouth(other=False)
    if is_moved:
        made.moved("before.stl", frame(79))
    bench = made.bench(*USED, "before.stl")
    assert told(bench, made) is None
    (answer,) = bench.run((HEIGHT,), {})[:1]
    result = HeightResult.model_validate(answer.result)
    assert answer.status is Status.MEASURED
    assert result.missing is not None
    assert "working jaw alone" in result.missing.says
    assert result.incisors is None


def test_without_a_scan_from_before_there_is_nothing_to_say() -> None:
    (answer,) = LandMouth().bench("jaw.stl", "tissue.stl").run((HEIGHT,), {})[:1]
    result = HeightResult.model_validate(answer.result)
    assert result.missing is not None
    assert result.missing.because is None
