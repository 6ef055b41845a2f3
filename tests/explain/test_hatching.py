"""Shares are told apart by how densely a piece is stroked, measured as ink in a picture of it."""

from __future__ import annotations

import io
import itertools
import math

import numpy as np
import pytest
from PIL import Image

from server.explain.coverage_drawing import filling
from server.explain.drawing import Box, Drawing, Spot
from server.explain.hatching import STEPS, Ring, dotted, hatched, step_of
from server.explain.png import png

MIDDLE = Spot(100.0, 100.0)
PIECE = Ring(MIDDLE, 40.0, 90.0, 90.0, 135.0)


@pytest.mark.parametrize(
    ("share", "words"),
    [(1.0, "90-100 %"), (0.9, "90-100 %"), (0.899, "75-90 %"), (0.75, "75-90 %"), (0.5, "50-75 %"),
     (0.499, "15-50 %"), (0.15, "15-50 %"), (0.149, "under 15 %"), (0.0, "under 15 %")],
)  # fmt: skip
def test_steps_begin_at_their_least_share(share: float, words: str) -> None:
    assert step_of(share).words == words


def ink(share: float | None) -> float:
    """Mean darkness of the piece's picture, 0 to 1."""
    marks = (filling(PIECE, share, None),)
    image = Image.open(io.BytesIO(png(Drawing(200.0, 200.0, "", marks))))
    return float(1.0 - np.asarray(image, dtype=float).mean() / 255.0)


def test_the_less_was_caught_the_more_ink_and_no_two_steps_look_alike() -> None:
    shares = [step.least_ratio for step in STEPS]
    inks = [ink(share) for share in shares]
    assert inks[0] == 0.0
    assert all(b > 1.4 * a for a, b in itertools.pairwise(inks))
    assert ink(None) not in inks
    assert ink(None) > 0.0


@pytest.mark.parametrize("step", STEPS[1:])
def test_strokes_stay_inside_their_piece_and_out_of_the_numbers_box(step: object) -> None:
    spare = Box(70.0, 30.0, 86.0, 42.0)
    segments = hatched(PIECE, step, spare)  # type: ignore[arg-type]
    assert segments
    for segment in segments:
        for spot in (segment.start, segment.end):
            r = math.hypot(spot.x - 100.0, spot.y - 100.0)
            turn = math.degrees(math.atan2(100.0 - spot.y, spot.x - 100.0))
            assert 40.0 <= r <= 90.0
            assert 90.0 - 1e-9 <= turn <= 135.0 + 1e-9
        middle = Spot(0.5 * (segment.start.x + segment.end.x), 0.5 * (segment.start.y + segment.end.y))
        assert not (70.0 < middle.x < 86.0 and 30.0 < middle.y < 42.0)


def test_strokes_lie_their_spacing_apart() -> None:
    offsets = {
        round((s.start.x + s.start.y - 200.0) / math.sqrt(2.0), 6) for s in hatched(PIECE, STEPS[2], None)
    }
    ordered = sorted(offsets)
    assert [b - a for a, b in itertools.pairwise(ordered)] == pytest.approx(
        [STEPS[2].spacing] * (len(ordered) - 1), abs=1e-5
    )


def test_dots_lie_inside() -> None:
    spots = [s.start for s in dotted(PIECE, None)]
    assert spots
    assert all(40.0 <= math.hypot(s.x - 100.0, s.y - 100.0) <= 90.0 for s in spots)


def test_a_piece_has_its_number_in_its_middle_and_a_disc_in_its_own() -> None:
    assert Ring(MIDDLE, 0.0, 20.0, 0.0, 360.0).centre == MIDDLE
    at = PIECE.centre
    assert math.hypot(at.x - 100.0, at.y - 100.0) == pytest.approx(65.0)
    assert math.degrees(math.atan2(100.0 - at.y, at.x - 100.0)) == pytest.approx(112.5)
