"""Relations put together, against simulation and against the closed form for normal errors."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.typing import NDArray

from server.metrology.registration.certainty import Certainty
from server.metrology.registration.joining import Relation, combined, motion_about, moved
from server.metrology.rigid import apply
from tests.metrology.registration.landscapes import frame

Floats = NDArray[np.float64]
MANY = 1_000_000
PLACE = np.array([30.0, -12.0, 8.0])


def certainty(seed: int, centre: Floats, arm_mm: float = 15.0, sigma_mm: float = 0.01) -> Certainty:
    """Any covariance of about sigma_mm, and of as much at the arm's length."""
    rng = np.random.default_rng(seed)
    scale = np.array([sigma_mm / arm_mm] * 3 + [sigma_mm] * 3)
    mixed = rng.normal(size=(6, 6)) * scale[:, None]
    return Certainty(mixed @ mixed.T, centre, MANY, arm_mm, np.zeros((0, 6)))


def drawn(rng: np.random.Generator, relation: Relation) -> Floats:
    """The relation with an error of its own certainty."""
    c = relation.certainty
    return moved(c.centre, rng.multivariate_normal(np.zeros(6), c.covariance)) @ relation.T


def u95_mm(points: Floats) -> float:
    return float(np.quantile(np.linalg.norm(points - points.mean(axis=0), axis=1), 0.95))


def relation(seed: int, **said: float) -> Relation:
    centre = np.random.default_rng(seed).uniform(-20.0, 20.0, 3)
    return Relation(frame(seed), certainty(seed, centre, **said))


def test_a_motion_about_a_centre_and_back() -> None:
    motion, centre = np.array([0.2, -0.1, 0.3, 1.0, 2.0, -3.0]), np.array([10.0, -20.0, 5.0])
    M = moved(centre, motion)
    assert apply(M, centre[None])[0] == pytest.approx(centre + motion[3:])
    assert motion_about(centre, M) == pytest.approx(motion)


def test_another_centre_says_the_same_of_every_place() -> None:
    own = relation(1).certainty
    other = own.about(np.array([-40.0, 12.0, 3.0]))
    for place in (PLACE, own.centre, np.zeros(3)):
        assert other.u95_mm(place) == pytest.approx(own.u95_mm(place), rel=1e-9)
    assert other.about(own.centre).covariance == pytest.approx(own.covariance)


def test_errors_along_a_chain_add_up_as_simulated() -> None:
    first, onward = relation(2), relation(3)
    chain = first.then(onward)
    rng = np.random.default_rng(5)
    start = apply(np.linalg.inv(chain.T), PLACE[None])
    ends = np.array([apply(drawn(rng, onward) @ drawn(rng, first), start)[0] for _ in range(4_000)])
    np.testing.assert_allclose(chain.T, onward.T @ first.T, atol=1e-9)
    assert chain.certainty.u95_mm(PLACE) == pytest.approx(u95_mm(ends), rel=0.06)


def test_a_relation_reversed_is_the_same_knowledge() -> None:
    own = relation(4)
    back = own.reversed()
    np.testing.assert_allclose(back.T @ own.T, np.eye(4), atol=1e-9)
    there = apply(back.T, PLACE[None])[0]
    assert back.certainty.u95_mm(there) == pytest.approx(own.certainty.u95_mm(PLACE), rel=1e-9)
    np.testing.assert_allclose(back.reversed().T, own.T, atol=1e-9)


def test_two_that_know_different_directions_complete_each_other() -> None:
    """Of two normal estimates the best has the sum of their weights; an error in what one knows well is hardly felt."""
    T, centre = frame(6), np.zeros(3)
    loose, firm = 1.0, 0.001
    one = Certainty(np.diag([1e-8] * 3 + [loose**2, firm**2, firm**2]), centre, MANY, 15.0, np.zeros((0, 6)))
    two = Certainty(np.diag([1e-8] * 3 + [firm**2, loose**2, firm**2]), centre, MANY, 15.0, np.zeros((0, 6)))
    off = moved(centre, np.array([0.0, 0.0, 0.0, 0.0, 0.5, 0.0]))
    told = combined([Relation(T, one), Relation(off @ T, two)])
    assert motion_about(centre, told.T @ np.linalg.inv(T))[3:] == pytest.approx([0.0, 0.0, 0.0], abs=2e-3)
    spread = np.sqrt(np.diag(told.certainty.covariance)[3:])
    assert spread[:2] == pytest.approx([firm, firm], rel=0.05)


def test_two_alike_are_known_better_by_the_root_of_two() -> None:
    own = relation(7)
    both = combined([own, own])
    np.testing.assert_allclose(both.T, own.T, atol=1e-9)
    assert both.certainty.u95_mm(PLACE) == pytest.approx(own.certainty.u95_mm(PLACE) / np.sqrt(2.0), rel=0.01)


def test_two_that_contradict_each_other_are_less_certain() -> None:
    """Six numbers, two estimates: the sum of squares over its freedom, Birge's ratio, widens the covariance."""
    own = relation(8)
    by = 40.0 * float(np.sqrt(np.linalg.eigvalsh(own.certainty.covariance)[-1]))
    far = Relation(
        moved(own.certainty.centre, np.array([0.0, 0.0, 0.0, by, 0.0, 0.0])) @ own.T, own.certainty
    )
    calm, torn = combined([own, own]), combined([own, far])
    assert torn.certainty.u95_mm(PLACE) > 3.0 * calm.certainty.u95_mm(PLACE)


def test_the_best_of_several_holds_the_truth_as_often_as_it_says() -> None:
    """2 000 draws of three estimates: inside the stated ball 95 times of 100, to within four standard errors (0.02). Birge's
    widening makes it a little safer."""
    truth, rng = frame(9), np.random.default_rng(10)
    known = [certainty(seed, rng.uniform(-20.0, 20.0, 3)) for seed in (11, 12, 13)]
    inside = 0
    for _ in range(2_000):
        told = combined([Relation(drawn(rng, Relation(truth, c)), c) for c in known])
        off = float(np.linalg.norm(apply(told.T @ np.linalg.inv(truth), PLACE[None])[0] - PLACE))
        inside += off <= told.certainty.u95_mm(PLACE)
    assert 0.93 < inside / 2_000 <= 1.0


def test_nothing_cannot_be_combined() -> None:
    with pytest.raises(ValueError, match="nothing"):
        combined([])
