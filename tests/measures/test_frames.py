from __future__ import annotations

import numpy as np
import pytest

from server.measures.frames import JOINT, JointResult, Placed
from server.measures.measure import Status
from server.measures.relation import Came
from server.metrology.bite.meeting import Jaws
from server.metrology.rigid import apply
from server.metrology.scan import Scan
from tests.measures.mouths import LandMouth
from tests.metrology.registration.landscapes import frame, hills, meshed


def joint(mouth: LandMouth, *files: str) -> JointResult:
    made = mouth.bench(*files).run((JOINT,), {})[0]
    assert made.status is Status.MEASURED, made.says
    return JointResult.model_validate(made.result)


def placed(result: JointResult, file: str) -> Placed:
    found = result.of(file)
    assert found is not None
    return found


@pytest.mark.parametrize("is_apart", [False, True], ids=["one frame", "frames of their own"])
def test_every_record_comes_into_the_jaws_frame(is_apart: bool) -> None:
    mouth = LandMouth().apart() if is_apart else LandMouth()
    result = joint(mouth)
    assert result.root == "jaw.stl"
    for file, scan in mouth.records.items():
        found = placed(result, file)
        assert found.T_root_record, found.says
        T, points = np.array(found.T_root_record), scan.vertices
        off = np.linalg.norm(apply(T, points) - apply(mouth.relation(file, "jaw.stl"), points), axis=1)
        assert np.linalg.det(T[:3, :3]) == pytest.approx(1.0, abs=1e-9)
        assert off.mean() < 0.03
        assert found.u95_mm is not None
        assert off.max() <= max(found.u95_mm, 1e-9)
        assert found.is_delivered is (not is_apart and file != "jaw.stl")
    assert placed(result, "opposing.stl").via == ("bite-left.stl", "bite-right.stl")
    assert placed(result, "bite-left.stl").via == ("denture.stl",)


def test_a_delivered_relation_stands_and_the_bite_scans_speak_against_it() -> None:
    """An opposing jaw 1 mm too high is an open bite, not another frame."""
    mouth = LandMouth()
    lift = np.eye(4)
    lift[2, 3] = 1.0
    mouth.moved("opposing.stl", lift)
    found = placed(joint(mouth), "opposing.stl")
    assert found.T_root_record == tuple(tuple(row) for row in np.eye(4))
    assert found.is_delivered
    assert found.bites_off_mm == pytest.approx(1.0, abs=0.03)
    assert found.bites_off_deg == pytest.approx(0.0, abs=0.1)


def test_a_bite_scan_that_lies_on_the_opposing_jaw_alone_is_placed_by_it() -> None:
    """The other bite scan carries the opposing jaw; this one shows no more of the working jaw than a few square millimetres."""
    mouth = LandMouth()
    bite = mouth.records["bite-left.stl"]
    shows = bite.vertices[:, 2] > bite.vertices[:, 2].mean()
    mouth.records["bite-left.stl"] = Scan(bite.vertices, bite.faces[shows[bite.faces].all(axis=1)])
    mouth.apart()
    result = joint(mouth)
    found = placed(result, "bite-left.stl")
    assert placed(result, "opposing.stl").via == ("bite-right.stl",)
    assert found.via[-1] == "opposing.stl"
    points = mouth.records["bite-left.stl"].vertices
    true = apply(mouth.relation("bite-left.stl", "jaw.stl"), points)
    assert np.linalg.norm(apply(found.motion, points) - true, axis=1).mean() < 0.05


def test_far_from_what_the_bite_scans_say_it_is_another_frame() -> None:
    mouth = LandMouth()
    mouth.moved("opposing.stl", frame(3))
    found = placed(joint(mouth), "opposing.stl")
    assert (found.is_delivered, found.bites_off_mm) == (False, None)
    true = mouth.relation("opposing.stl", "jaw.stl")
    np.testing.assert_allclose(np.array(found.T_root_record), true, atol=0.1)


def test_without_a_jaw_scan_the_tissue_is_the_root_and_the_denture_finds_it() -> None:
    mouth = LandMouth().apart()
    result = joint(mouth, "tissue.stl", "denture.stl", "opposing.stl", "bite-left.stl")
    assert result.root == "tissue.stl"
    assert all(found.T_root_record for found in result.records)


def test_where_the_jaw_scan_is_mirrored_the_others_still_find_each_other() -> None:
    mouth = LandMouth()
    mouth.mirrored("jaw.stl")
    result = joint(mouth, "jaw.stl", "tissue.stl", "denture.stl")
    came = {(link.moving, link.fixed): link.came for link in result.links}
    assert came == {
        ("tissue.stl", "jaw.stl"): Came.MIRRORED,
        ("denture.stl", "jaw.stl"): Came.MIRRORED,
        ("denture.stl", "tissue.stl"): Came.DELIVERED,
    }
    assert "mirror image" in placed(result, "tissue.stl").says


def test_what_does_not_belong_is_not_placed_and_why_is_said() -> None:
    mouth = LandMouth()
    mouth.records["tissue.stl"] = meshed(hills(77), 9)
    result = joint(mouth, "jaw.stl", "tissue.stl", "opposing.stl")
    assert not placed(result, "tissue.stl").T_root_record
    assert "does not lie on the jaw scan" in placed(result, "tissue.stl").says
    assert "no other record shows" in placed(result, "opposing.stl").says


def test_an_uncertain_bite_leaves_the_opposing_jaw_less_certain_far_from_it() -> None:
    mouth = LandMouth().apart()
    one = placed(joint(mouth, "jaw.stl", "denture.stl", "opposing.stl", "bite-left.stl"), "opposing.stl")
    both = placed(joint(mouth), "opposing.stl")
    assert one.u95_mm is not None
    assert both.u95_mm is not None
    assert one.u95_mm > 1.2 * both.u95_mm


def test_a_rescan_of_one_compares_only_what_it_touches() -> None:
    mouth = LandMouth()
    kept = {m.key: m for m in mouth.bench().run((JOINT,), {})}
    mouth.records["opposing.stl"] = mouth.records["opposing.stl"].scaled(1.0)
    mouth.moved("opposing.stl", frame(8))
    made = mouth.bench().run((JOINT,), kept)
    anew = [m for m in made if m.key not in kept]
    assert [m.measure for m in anew] == ["frames.joint", "frames.relation", "frames.relation"]


def test_a_record_alone_is_not_asked_about() -> None:
    assert LandMouth().bench("jaw.stl").run((JOINT,), {}) == []


CLOSED_MM = -9.5
"""From where the opposing landscape lies to where it meets the denture's."""


def _two(mouth: LandMouth, lift_mm: float) -> JointResult:
    lift = np.eye(4)
    lift[2, 3] = lift_mm
    mouth.moved("opposing.stl", lift)
    return joint(mouth, "jaw.stl", "denture.stl", "opposing.stl")


def test_two_jaws_that_meet_in_their_files_frame_need_no_bite_scan() -> None:
    result = _two(LandMouth(), CLOSED_MM)
    found = placed(result, "opposing.stl")
    assert (result.jaws, found.is_delivered, found.via) == (Jaws.MEET, True, ())
    np.testing.assert_array_equal(found.motion, np.eye(4))


def test_two_arches_turned_to_one_direction_are_no_bite() -> None:
    mouth, over = LandMouth(), np.diag([-1.0, 1.0, -1.0, 1.0])
    over[2, 3] = 36.0
    mouth.moved("opposing.stl", over)
    result = _two(mouth, 0.0)
    assert result.jaws is Jaws.SAME_WAY
    assert not placed(result, "opposing.stl").T_root_record


@pytest.mark.parametrize(("lift_mm", "jaws"), [(-13.0, Jaws.INSIDE), (60.0, Jaws.APART)])
def test_two_jaws_inside_each_other_or_far_apart_are_no_bite(lift_mm: float, jaws: Jaws) -> None:
    result = _two(LandMouth(), lift_mm)
    assert result.jaws is jaws
    assert not placed(result, "opposing.stl").T_root_record
