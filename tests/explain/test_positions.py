from __future__ import annotations

import math
from typing import Any

import numpy as np
import pytest

from server.explain.drawing import Drawing, Shape, Words
from server.explain.figures import figures_of
from server.explain.positions import ENLARGEMENTS, PositionsFigure, enlargement_for
from server.explain.positions_drawing import BAR_MM, SITE_RADIUS, Plan, positions_drawing, signed
from server.metrology.rigid import apply, small_motion
from server.rules.evidence import CaseEvidence
from tests.rules.positions import pair, positions, told
from tests.rules.standing import SEATS

SHIFT = (0.12, -0.16, 0.05)
"""How far the jaw scan has a site from the position: to +x, against the front (+y), up."""


def shifted(off: dict[int, tuple[float, float, float]], **changes: Any) -> CaseEvidence:
    """The good case with jaw bodies off from the positions by these shifts: the positions are moved instead."""
    markers = tuple(
        m.model_copy(update={"seat_mm": tuple(np.array(SEATS[k]) - np.array(off.get(k, (0.0, 0.0, 0.0))))})
        for k, m in enumerate(told().markers)
    )
    return positions(markers=markers, **changes)


def figure(case: CaseEvidence) -> PositionsFigure:
    shown = figures_of(case).positions
    assert shown is not None
    return shown


def drawn(shown: PositionsFigure) -> Drawing:
    return positions_drawing(shown)


def written(drawing: Drawing) -> list[str]:
    return [m.text for m in drawing.marks if isinstance(m, Words)]


def test_shifts_are_seen_onto_the_occlusal_surface_the_front_of_a_lower_jaw_at_the_bottom() -> None:
    """Frame of the jaw: front +y, occlusal +z. Looking down with the front at the bottom turns x and y about."""
    shown = figure(shifted({2: SHIFT}))
    site = shown.sites[2]
    assert (shown.is_front_up, shown.is_side_known) == (False, True)
    assert (*site.across_mm, site.height_mm) == pytest.approx((-0.12, 0.16, 0.05))
    assert shown.sites[0].plan_mm[0] < 0.0 < shown.sites[3].plan_mm[0]
    assert shown.sites[0].plan_mm[1] > shown.sites[1].plan_mm[1]


def test_an_upper_jaw_has_its_front_at_the_top() -> None:
    shown = figure(shifted({2: SHIFT}, form={"working_arch": "upper"}))
    assert shown.is_front_up
    assert (*shown.sites[2].across_mm, shown.sites[2].height_mm) == pytest.approx((0.12, -0.16, 0.05))
    assert shown.sites[1].plan_mm[1] > shown.sites[0].plan_mm[1]


@pytest.mark.parametrize("arch", ["upper", "lower"])
def test_the_patients_right_is_on_the_left_of_the_page(arch: str) -> None:
    """Left is up x front; an upper jaw bites downward, so that its up is against the occlusal direction (0, 0, 1)."""
    up = np.array([0.0, 0.0, 1.0 if arch == "lower" else -1.0])
    left = np.cross(up, (0.0, 1.0, 0.0))
    shown = figure(shifted({1: tuple(0.1 * left)}, form={"working_arch": arch}))  # type: ignore[arg-type,dict-item]
    assert shown.sites[1].across_mm == pytest.approx((0.1, 0.0), abs=1e-12)


def test_where_front_and_sides_are_not_sure_they_are_not_named() -> None:
    case = shifted({2: SHIFT}, form={"working_arch": None})
    shown = figure(case)
    assert not shown.is_side_known
    words = written(drawn(shown))
    assert not {"right", "left", "front"} & set(words)
    assert any("front and sides not known" in w for w in words)


def test_a_named_site_is_laid_out_by_the_others_so_that_it_alone_stands_off() -> None:
    """The stated motion is the best fit of all, which spreads the misfit; the figure takes the others' own."""
    T = small_motion(np.array([0.002, -0.001, 0.004, 0.03, 0.02, -0.01]))
    rows = tuple(tuple(float(x) for x in row) for row in T)
    case = shifted({2: SHIFT}, account="one site off", named=(2,), T_jaw_markers=rows)
    shown = figure(case)
    assert shown.fitted_by == ("36", "33", "46")
    assert [s.is_named for s in shown.sites] == [False, False, True, False]
    lengths = [math.hypot(*s.across_mm, s.height_mm) for s in shown.sites]
    assert lengths == pytest.approx([0.0, 0.0, float(np.linalg.norm(SHIFT)), 0.0], abs=1e-6)


def test_where_none_is_named_the_stated_motion_is_shown_as_it_is() -> None:
    T = small_motion(np.array([0.0, 0.0, 0.002, 0.03, 0.0, 0.0]))
    rows = tuple(tuple(float(x) for x in row) for row in T)
    shown = figure(positions(T_jaw_markers=rows, account="arch bent or stretched"))
    left = np.array(SEATS) - apply(T, np.array(SEATS))
    assert [s.across_mm for s in shown.sites] == [pytest.approx((-x, -y), abs=1e-9) for x, y, _ in left]
    assert shown.fitted_by == ("36", "33", "43", "46")


@pytest.mark.parametrize(
    ("longest_mm", "u95_mm", "times"),
    [
        (0.0, 0.01, 500),
        (0.022, 0.01, 500),
        (0.024, 0.01, 200),
        (0.22, 0.01, 50),
        (0.23, 0.01, 20),
        (5.0, 0.01, 10),
        (0.01, 0.03, 100),
    ],
)
def test_vectors_and_their_uncertainty_are_enlarged_as_far_as_they_fit(
    longest_mm: float, u95_mm: float, times: int
) -> None:
    assert enlargement_for(longest_mm, u95_mm) == times


def test_bars_of_arrows_are_ten_millimetres_of_the_plan() -> None:
    assert set(BAR_MM) == set(ENLARGEMENTS)
    assert all(times * mm == pytest.approx(10.0) for times, mm in BAR_MM.items())


def test_an_arrows_tip_is_its_place_and_the_enlarged_vector() -> None:
    shown = figure(shifted({2: SHIFT}, account="one site off", named=(2,)))
    assert shown.enlargement == 50
    plan = Plan(shown)
    at, tip = plan.spot(*shown.sites[2].plan_mm), plan.tip(shown.sites[2], shown.enlargement)
    assert (tip.x - at.x, at.y - tip.y) == pytest.approx((-0.12 * 50 * plan.per_mm, 0.16 * 50 * plan.per_mm))
    heads = [m for m in drawn(shown).marks if isinstance(m, Shape) and m.is_filled]
    ends = [head.spots[0] for head in heads]
    assert min(math.hypot(e.x - tip.x, e.y - tip.y) for e in ends) < 1e-9


def test_enlargement_bars_sites_and_signs_are_written() -> None:
    shown = figure(shifted({2: SHIFT}, account="one site off", named=(2,), pairs=pairs_off(2, 0.206)))
    words = written(drawn(shown))
    assert "plan: 10 mm" in words
    assert "arrows, enlarged 50 times: 0.2 mm" in words
    assert {"36", "33", "46", "43 off", "43 (off)", "h +0.05", "0.20", "+0.05"} <= set(words)
    assert "Site 43 is off" in shown.says
    assert "0.21 mm" in shown.says


def pairs_off(number: int, off_mm: float) -> tuple[Any, ...]:
    return tuple(pair(k, off_mm=off_mm if k == number else 0.0) for k in range(4))


def test_where_one_of_two_is_off_both_are_marked_as_in_question() -> None:
    shown = figure(shifted({2: SHIFT}, account="one of few sites off", named=(1, 2)))
    assert [s.is_named for s in shown.sites] == [False, True, True, False]
    assert "33 or 43" in shown.says
    assert {"33 off?", "43 off?"} <= set(written(drawn(shown)))


@pytest.mark.parametrize(
    ("account", "says"),
    [
        ("none off", "No single site stands off"),
        ("arch bent or stretched", "bent or stretched"),
        ("cannot tell", "cannot be told"),
        ("", "fewer than four"),
    ],
)
def test_what_the_misfit_comes_from_is_said_in_words(account: str, says: str) -> None:
    shown = figure(positions(account=account, named=(1,) if account == "cannot tell" else ()))
    assert says in shown.says
    assert not any(s.is_named for s in shown.sites)


@pytest.mark.parametrize(
    "changes", [{"fits": False, "pairs": ()}, {"hand": "mirrored"}, {"is_ambiguous": True}]
)
def test_no_figure_where_the_two_go_together_in_no_one_way(changes: dict[str, Any]) -> None:
    assert figures_of(positions(**changes)).positions is None


def test_axes_and_uncertainties_are_numbers_of_the_table() -> None:
    shown = figure(positions())
    assert [s.axis_deg for s in shown.sites] == pytest.approx([0.0] * 4, abs=1e-6)
    assert "0.02, 0.15" in written(drawn(shown))
    assert "axis 0.00°" in drawn(shown).says


def test_labels_stand_clear_of_each_other_and_of_the_sites() -> None:
    shown = figure(shifted({2: SHIFT}, account="one site off", named=(2,)))
    plan, codes = Plan(shown), {"36", "33", "43 off", "46"}
    boxes = [m.box for m in drawn(shown).marks if isinstance(m, Words) and m.text in codes and m.size == 12.0]
    assert len(boxes) == 4
    assert not any(a.meets(b) for k, a in enumerate(boxes) for b in boxes[k + 1 :])
    for site in shown.sites:
        at = plan.spot(*site.plan_mm)
        assert not any(
            b.left < at.x + SITE_RADIUS and at.x - SITE_RADIUS < b.right and b.top < at.y < b.bottom
            for b in boxes
        )


@pytest.mark.parametrize(
    ("value_mm", "words"), [(0.034, "+0.03"), (-0.126, "-0.13"), (0.004, "0.00"), (-0.001, "0.00")]
)
def test_heights_have_their_sign(value_mm: float, words: str) -> None:
    assert signed(value_mm) == words


def test_it_survives_json() -> None:
    shown = figure(shifted({2: SHIFT}))
    assert PositionsFigure.model_validate_json(shown.model_dump_json()) == shown


def test_sites_that_bear_one_code_are_told_apart() -> None:
    twice = {"sites": [{"tooth": "33", "seat_confirmed": "radiograph"}] * 4}
    shown = figure(shifted({2: SHIFT}, account="one site off", named=(2,), form=twice))
    assert [s.is_named for s in shown.sites] == [False, False, True, False]
    assert len(shown.fitted_by) == 3
    assert "at most 0.000 mm" in shown.says
