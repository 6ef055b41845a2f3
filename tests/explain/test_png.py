from __future__ import annotations

import io

import numpy as np
import pytest
from PIL import Image

from server.explain.drawing import Circle, Drawing, Lines, Segment, Shape, Spot, Tone, Words
from server.explain.png import png, printable


def pixels(*marks: Lines | Shape | Words) -> np.ndarray:
    return np.asarray(Image.open(io.BytesIO(png(Drawing(100.0, 50.0, "", marks)))))


def test_the_picture_is_as_large_as_asked_in_greys_and_white_where_nothing_is() -> None:
    empty = Image.open(io.BytesIO(png(Drawing(100.0, 50.0, "", ()), pixels_per_unit=3)))
    assert (empty.size, empty.mode, empty.format) == ((300, 150), "L", "PNG")
    assert empty.getextrema() == (255, 255)


def test_marks_lie_where_the_drawing_has_them() -> None:
    image = pixels(Lines((Segment(Spot(10.0, 25.0), Spot(90.0, 25.0)),), 2.0))
    rows, columns = np.nonzero(image < 128)
    assert (rows.min(), rows.max()) in {(48, 51), (48, 52), (47, 51), (48, 50), (49, 51)}
    assert columns.min() == pytest.approx(20, abs=2)
    assert columns.max() == pytest.approx(180, abs=2)


def test_a_filled_shape_is_filled_and_an_outline_is_not() -> None:
    square = (Spot(20.0, 10.0), Spot(60.0, 10.0), Spot(60.0, 40.0), Spot(20.0, 40.0))
    assert pixels(Shape(square, is_closed=True, is_filled=True))[50, 80] < 128
    assert pixels(Shape(square, is_closed=True))[50, 80] == 255


def test_soft_is_lighter_than_full() -> None:
    full, soft = (pixels(Circle(Spot(50.0, 25.0), 10.0, 4.0, tone)).min() for tone in (Tone.FULL, Tone.SOFT))
    assert full < soft < 128


def test_words_are_drawn_and_bold_ones_stronger() -> None:
    plain, bold = (255.0 - pixels(Words(Spot(50.0, 25.0), "34", 20.0, is_bold=b)) for b in (False, True))
    assert 0.0 < plain.sum() < bold.sum()
    rows, columns = np.nonzero(plain > 128)
    assert columns.mean() == pytest.approx(100.0, abs=3.0)
    assert rows.mean() == pytest.approx(50.0, abs=4.0)


@pytest.mark.parametrize(
    ("text", "drawn"), [("34 ± 0.2°", "34 ± 0.2°"), ("1–2 × 3", "1-2 x 3"), ("\u4e00\n7\u202e", "??7?")]
)
def test_what_the_face_lacks_is_written_plainly(text: str, drawn: str) -> None:
    assert printable(text) == drawn


def test_the_same_drawing_gives_the_same_bytes() -> None:
    drawing = Drawing(80.0, 40.0, "", (Words(Spot(40.0, 20.0), "0.21 mm"), Circle(Spot(40.0, 20.0), 12.0)))
    assert png(drawing) == png(drawing)
