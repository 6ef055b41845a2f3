from __future__ import annotations

import numpy as np
import pytest

from server.measures.measure import NotMeasured
from server.measures.relation import RELATION, Came
from server.metrology.rigid import apply
from server.records.roles import Role, Unit
from tests.measures.mouths import LandMouth
from tests.metrology.registration.landscapes import hills, meshed


def off_mm(mouth: LandMouth, moving: str, fixed: str) -> tuple[Came, float]:
    """How two records came together, and the mean distance of the moving one's points from where they belong."""
    made = mouth.bench(moving, fixed).pair(RELATION, moving, fixed)
    if not made.is_told:
        return made.came, float("nan")
    points = mouth.records[moving].vertices
    true = mouth.relation(moving, fixed)
    return made.came, float(np.linalg.norm(apply(made.motion, points) - apply(true, points), axis=1).mean())


PAIRS = [
    ("tissue.stl", "jaw.stl"),
    ("denture.stl", "jaw.stl"),
    ("bite-left.stl", "denture.stl"),
    ("bite-left.stl", "opposing.stl"),
]


@pytest.mark.parametrize(("moving", "fixed"), PAIRS)
def test_files_of_one_frame_are_told_to_be(moving: str, fixed: str) -> None:
    came, off = off_mm(LandMouth(), moving, fixed)
    assert came is Came.DELIVERED
    assert off < 0.01


@pytest.mark.parametrize(("moving", "fixed"), PAIRS)
def test_files_of_any_frame_are_brought_together(moving: str, fixed: str) -> None:
    came, off = off_mm(LandMouth().apart(), moving, fixed)
    assert came is Came.REGISTERED
    assert off < 0.02


def test_a_frame_a_little_off_is_still_delivered_and_the_fit_says_by_how_much() -> None:
    mouth = LandMouth()
    mouth.moved("tissue.stl", np.array([[1, 0, 0, 0.3], [0, 1, 0, 0], [0, 0, 1, 0], [0, 0, 0, 1.0]]))
    made = mouth.bench("tissue.stl", "jaw.stl").pair(RELATION, "tissue.stl", "jaw.stl")
    assert made.came is Came.DELIVERED
    assert made.off_mm == pytest.approx(0.3, abs=0.02)


def test_a_record_inside_out_is_laid_on_as_it_would_be_turned() -> None:
    mouth = LandMouth()
    mouth.inside_out("tissue.stl")
    came, off = off_mm(mouth, "tissue.stl", "jaw.stl")
    assert (came, off < 0.01) == (Came.DELIVERED, True)


def test_a_mirror_image_is_told_and_not_used() -> None:
    mouth = LandMouth()
    mouth.mirrored("tissue.stl")
    made = mouth.bench("tissue.stl", "jaw.stl").pair(RELATION, "tissue.stl", "jaw.stl")
    assert (made.came, made.T_fixed_moving, made.held) == (Came.MIRRORED, (), None)


def test_another_mouth_does_not_fit() -> None:
    mouth = LandMouth()
    mouth.records["tissue.stl"] = meshed(hills(77), 9)
    came, _ = off_mm(mouth, "tissue.stl", "jaw.stl")
    assert came is Came.NOT


def test_it_is_kept_under_the_two_alone_and_made_once() -> None:
    mouth = LandMouth()
    first = mouth.bench("tissue.stl", "jaw.stl", "opposing.stl")
    first.pair(RELATION, "tissue.stl", "jaw.stl")
    (kept,) = first.run((), {})
    again = mouth.bench("tissue.stl", "jaw.stl")
    again.run((), {kept.key: kept.model_copy(update={"result": {**(kept.result or {}), "sigma_mm": 7.0}})})
    assert again.pair(RELATION, "tissue.stl", "jaw.stl").sigma_mm == 7.0
    rows = (Role.TISSUE, Unit.MM, "1", ""), (Role.JAW, Unit.MM, "2", "")
    assert RELATION.key(*rows) != RELATION.key(*rows[::-1])


def test_what_cannot_be_read_is_not_laid_on_anything() -> None:
    mouth = LandMouth()
    bench = mouth.bench("tissue.stl", "jaw.stl")
    bench.records["jaw.stl"].data = b"solid nothing"
    with pytest.raises(NotMeasured):
        bench.pair(RELATION, "tissue.stl", "jaw.stl")


def test_several_pairs_at_once_come_out_as_one_by_one() -> None:
    mouth = LandMouth().apart()
    at_once, one_by_one = mouth.bench(), mouth.bench()
    at_once.compare_all(RELATION, PAIRS)
    together = {m.key: m.result for m in at_once.run((), {})}
    for moving, fixed in PAIRS:
        one_by_one.pair(RELATION, moving, fixed)
    assert together == {m.key: m.result for m in one_by_one.run((), {})}


def test_a_pair_that_cannot_be_compared_stops_none_of_the_others() -> None:
    mouth = LandMouth()
    bench = mouth.bench("tissue.stl", "denture.stl", "jaw.stl")
    bench.records["denture.stl"].data = b"solid nothing"
    bench.compare_all(RELATION, [("denture.stl", "jaw.stl"), ("tissue.stl", "jaw.stl")])
    assert bench.pair(RELATION, "tissue.stl", "jaw.stl").came is Came.DELIVERED
    with pytest.raises(NotMeasured):
        bench.pair(RELATION, "denture.stl", "jaw.stl")


def test_a_pair_that_is_kept_costs_nothing() -> None:
    mouth = LandMouth()
    first = mouth.bench("tissue.stl", "jaw.stl")
    first.compare_all(RELATION, PAIRS[:1])
    kept = {m.key: m for m in first.run((), {})}
    again = mouth.bench("tissue.stl", "jaw.stl")
    again.run((), kept)
    again.compare_all(RELATION, PAIRS[:1])
    assert all("outward" not in vars(bench) for bench in again.records.values())
    assert again.pair(RELATION, *PAIRS[0]).came is Came.DELIVERED
