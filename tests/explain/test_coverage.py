from __future__ import annotations

import math
from typing import Any

import numpy as np
import pytest

from server.explain.coverage import CoverageFigure, Side, coverage_figure, percent
from server.explain.coverage_drawing import (
    MOST_RADIUS,
    TOP_RADIUS,
    band_width,
    cell_at,
    clipped,
    coverage_drawing,
)
from server.explain.drawing import Lines, Spot, Words
from server.explain.figures import figures_of
from server.measures.bodies import BodySeen
from server.rules.body_evidence import bodies_in
from tests.rules.standing import seen, sites, standing

ONE_SIDED = (0.1, 0.2, 0.6, 0.95, 1.0, 1.0, 0.95, 0.6)
"""Least about 45°, from the index mark against the clock: the two middles there are 22.5° and 67.5°."""


def figure(number: int = 0, told: dict[str, Any] | None = None, **changes: Any) -> CoverageFigure:
    """The figure of one of the good jaw's four bodies: seats at (±22, 0) and (±9, 18), front +y, index mark +x."""
    bodies = tuple(seen(k, **(changes if k == number else {})) for k in range(4))
    return figures_of(standing(*bodies, told=told)).coverage[number]


def marks_of(shown: CoverageFigure, kind: type[Any]) -> list[Any]:
    return [mark for mark in coverage_drawing(shown).marks if isinstance(mark, kind)]


def test_it_holds_what_was_measured_of_the_body() -> None:
    shown = figure(2, by_eighth=ONE_SIDED, top_ratio=0.5, index_ratio=None)
    assert (shown.record, shown.role, shown.number, shown.site_index, shown.tooth) == (
        "jaw.stl",
        "jaw",
        3,
        2,
        "43",
    )
    assert (shown.by_eighth, shown.top_ratio, shown.index_ratio) == (ONE_SIDED, 0.5, None)
    assert CoverageFigure.model_validate_json(shown.model_dump_json()) == shown


@pytest.mark.parametrize(
    ("number", "outward_deg"),
    [
        (0, 0.0),
        (3, 180.0),
        (1, math.degrees(math.atan2(18.0, 9.0))),
        (2, math.degrees(math.atan2(18.0, -9.0))),
    ],
)
def test_the_outer_side_lies_away_from_the_middle_of_the_arch(number: int, outward_deg: float) -> None:
    assert figure(number).outward_deg == pytest.approx(outward_deg)


def test_the_outer_side_is_told_from_the_index_mark_wherever_that_points() -> None:
    turned = figure(0, clock=(0.0, 1.0, 0.0))
    assert turned.outward_deg == pytest.approx(270.0)


@pytest.mark.parametrize("changes", [{"is_front_sure": False}, {"front": None}, {"occlusal": None}])
def test_no_side_is_named_where_the_jaw_shows_none(changes: dict[str, Any]) -> None:
    shown = figure(0, told=changes, by_eighth=ONE_SIDED)
    assert (shown.outward_deg, shown.missed_side) == (None, Side.UNTOLD)


@pytest.mark.parametrize(
    ("number", "toward", "side"),
    [
        (0, (1.0, 0.0, 0.0), Side.OUTER),
        (0, (-1.0, 0.0, 0.0), Side.INNER),
        (0, (0.0, 1.0, 0.0), Side.MIDLINE),
        (0, (0.0, -1.0, 0.0), Side.AWAY),
        (3, (0.0, 1.0, 0.0), Side.MIDLINE),
        (3, (0.0, -1.0, 0.0), Side.AWAY),
        (1, (-1.0, 0.3, 0.0), Side.MIDLINE),
        (2, (1.0, 0.3, 0.0), Side.MIDLINE),
    ],
)
def test_the_side_where_most_was_missed_is_named(number: int, toward: Any, side: Side) -> None:
    """The index mark is turned so that the middle of what was missed, 45° from it, faces the given way."""
    at = math.atan2(toward[1], toward[0]) - math.radians(
        figure(number, by_eighth=ONE_SIDED).missed_deg or 0.0
    )
    shown = figure(number, by_eighth=ONE_SIDED, clock=(math.cos(at), math.sin(at), 0.0))
    assert shown.missed_side is side
    assert side.value in shown.says


def test_the_middle_of_what_was_missed_is_its_mean_direction() -> None:
    missed = (0.5, 0.5, 1.0, 1.0, 1.0, 1.0, 1.0, 1.0)
    assert figure(by_eighth=missed).missed_deg == pytest.approx(45.0)
    assert figure(by_eighth=(0.5,) * 8).missed_deg is None
    assert figure(by_eighth=(0.95,) * 8).missed_deg is None


def test_the_weakest_eighth_is_the_one_least_caught_among_those_that_stand_free() -> None:
    assert figure(by_eighth=(None, 0.9, 0.4, 0.6, None, 1.0, 1.0, 1.0)).weakest == 3
    assert figure(by_eighth=(None,) * 8).weakest is None


def test_a_turn_that_is_not_known_is_said() -> None:
    assert "not known" in figure(u95_clock_deg=None).says
    assert "not known" not in figure().says
    assert any("turn not known" in w.text for w in marks_of(figure(u95_clock_deg=None), Words))


def test_cells_are_eighths_of_a_turn_from_the_top_against_the_clock_the_foot_outside() -> None:
    first = cell_at(Spot(0.0, 0.0), 6, 0, 0)
    assert (first.from_deg, first.to_deg) == (90.0, 135.0)
    assert (first.inner, first.outer) == (TOP_RADIUS + 5 * band_width(6), TOP_RADIUS + 6 * band_width(6))
    top = cell_at(Spot(0.0, 0.0), 6, 5, 3)
    assert (top.from_deg, top.to_deg, top.inner) == (225.0, 270.0, TOP_RADIUS)


def test_every_cell_has_its_number_at_its_place() -> None:
    rows = tuple(tuple((band * 8 + eighth) / 100.0 for eighth in range(8)) for band in range(6))
    shown = figure(by_height=rows)
    words = marks_of(shown, Words)
    disc = next(w for w in words if w.text.startswith("top "))
    for band in range(6):
        for eighth in range(8):
            at = cell_at(disc.at, 6, band, eighth).centre
            assert [w.text for w in words if w.at == at] == [f"{band * 8 + eighth}"]


def test_two_bodies_that_differ_in_one_cell_differ_in_strokes_not_only_in_the_number() -> None:
    good = ((0.95,) * 8,) * 6
    bad = (((0.3, *good[0][1:])), *good[1:])
    count = [
        sum(len(lines.segments) for lines in marks_of(figure(by_height=rows), Lines)) for rows in (good, bad)
    ]
    assert count[1] > count[0]


def test_words_and_alternative_text_say_the_same() -> None:
    shown = figure(0, by_eighth=ONE_SIDED, coverage_ratio=0.62)
    assert "Scan body at 36" in shown.says
    assert "62 %" in shown.says
    assert "no. 1, 10 %" in shown.says
    drawing = coverage_drawing(shown)
    assert drawing.says == shown.says
    written = " ".join(m.text for m in drawing.marks if isinstance(m, Words))
    assert shown.says in written


def test_a_hostile_tooth_code_is_cut_and_nothing_leaves_the_sheet() -> None:
    shown = figure().model_copy(update={"tooth": "<b>" * 60, "record": "x" * 240})
    drawing = coverage_drawing(shown)
    for words in (m for m in drawing.marks if isinstance(m, Words)):
        assert len(words.text) < 100
        assert 0.0 <= words.at.y <= drawing.height
    assert clipped("34") == "34"
    assert len(clipped("3" * 99)) == 14


def test_a_body_of_a_record_without_a_jaw_has_no_outer_side() -> None:
    case = standing()
    body = next(iter(bodies_in(case.records[0], case)))
    alone = coverage_figure("x", body, None, np.zeros((1, 3)))
    assert alone.outward_deg is None
    assert coverage_figure("x", body, sites((body.seen,)), np.zeros((1, 3))).outward_deg is None
    assert isinstance(body.seen, BodySeen)


@pytest.mark.parametrize(("share", "words"), [(0.994, "99"), (0.0, "0"), (1.0, "100"), (None, "-")])
def test_percent(share: float | None, words: str) -> None:
    assert percent(share) == words


@pytest.mark.parametrize("n_bands", [1, 4, 7, 12, 20])
def test_however_tall_the_body_its_rings_leave_room_for_the_words_about_them(n_bands: int) -> None:
    outermost = cell_at(Spot(0.0, 0.0), n_bands, 0, 0)
    assert outermost.outer <= MOST_RADIUS + 1e-9
    assert coverage_drawing(figure(by_height=((0.9,) * 8,) * n_bands)).width >= 2 * MOST_RADIUS + 120.0
