from __future__ import annotations

import itertools
import math

import pytest

from server.explain.drawing import Anchor, Box, Spot, Words, arc, arrow, dashed, paragraph, wedge

MIDDLE = Spot(100.0, 100.0)


@pytest.mark.parametrize(
    ("angle_deg", "x", "y"), [(0.0, 110.0, 100.0), (90.0, 100.0, 90.0), (225.0, 92.929, 107.071)]
)
def test_angles_turn_against_the_clock_from_the_right(angle_deg: float, x: float, y: float) -> None:
    spot = MIDDLE.at(angle_deg, 10.0)
    assert (spot.x, spot.y) == pytest.approx((x, y), abs=1e-3)


def test_an_arc_ends_where_it_should_and_its_chords_leave_it_by_no_more_than_a_tenth() -> None:
    spots = arc(MIDDLE, 60.0, 90.0, 135.0)
    assert spots[0] == MIDDLE.at(90.0, 60.0)
    assert (spots[-1].x, spots[-1].y) == pytest.approx((MIDDLE.at(135.0, 60.0).x, MIDDLE.at(135.0, 60.0).y))
    for a, b in itertools.pairwise(spots):
        chord = Spot(0.5 * (a.x + b.x), 0.5 * (a.y + b.y))
        assert 59.9 <= math.hypot(chord.x - 100.0, chord.y - 100.0) <= 60.0


def test_a_wedge_has_the_area_of_its_piece_of_a_ring() -> None:
    spots = wedge(MIDDLE, 30.0, 60.0, 90.0, 135.0)
    pairs = zip(spots, (*spots[1:], spots[0]), strict=True)
    area = abs(sum(a.x * b.y - b.x * a.y for a, b in pairs)) / 2.0
    assert area == pytest.approx(math.pi / 8.0 * (60.0**2 - 30.0**2), rel=0.005)


def test_dashes_are_as_long_as_asked_and_leave_gaps() -> None:
    made = dashed((Spot(0.0, 0.0), Spot(10.0, 0.0), Spot(10.0, 10.0)), dash=4.0, gap=3.0)
    ends = [(s.start.x, s.start.y, s.end.x, s.end.y) for s in made]
    assert ends == [
        pytest.approx((0, 0, 4, 0)),
        pytest.approx((7, 0, 10, 0)),
        pytest.approx((10, 0, 10, 1)),
        pytest.approx((10, 4, 10, 8)),
    ]


def test_an_arrow_ends_at_its_tip_and_one_of_no_length_is_nothing() -> None:
    *_, head = arrow(MIDDLE, Spot(130.0, 100.0))
    assert head.spots[0] == Spot(130.0, 100.0)  # type: ignore[union-attr]
    assert arrow(MIDDLE, MIDDLE) == ()


def test_a_box_of_words_lies_about_their_anchor() -> None:
    words = Words(MIDDLE, "abcd", 10.0)
    assert words.box == Box(100.0 - 11.2, 95.0, 100.0 + 11.2, 105.0)
    assert Words(MIDDLE, "abcd", 10.0, Anchor.END).box.right == 100.0
    assert words.box.meets(words.box.wider(1.0))
    assert not words.box.meets(Box(120.0, 95.0, 130.0, 105.0))


def test_a_paragraph_keeps_every_word_and_its_width() -> None:
    text = "of a long sentence every word is kept " * 6
    lines = paragraph(text, 16.0, 0.0, 300.0)
    assert " ".join(line.text for line in lines).split() == text.split()
    assert max(len(line.text) for line in lines) <= 50
    assert [b.at.y - a.at.y for a, b in itertools.pairwise(lines)] == pytest.approx([16.8] * (len(lines) - 1))
