from __future__ import annotations

import io

import numpy as np
import pytest
from PIL import Image

from server.explain.drawing import Circle, Lines, Raster, Words
from server.explain.png import png
from server.explain.surface_picture import (
    CLOSE,
    CLOSE_MM,
    GAP,
    SHEET,
    place_drawing,
    record_drawing,
    whole_eye,
)
from server.explain.svg import svg
from server.metrology.rigid import apply, small_motion

Floats = np.ndarray


def arch(n: int = 60) -> tuple[Floats, Floats]:
    """An open horseshoe, 50 mm wide, its front toward -y, its crest toward +z."""
    turn = np.linspace(np.pi, 2.0 * np.pi, n)[:, None]
    across = np.linspace(-1.0, 1.0, 15)[None]
    r = 22.0 + 4.0 * across
    x, y = r * np.cos(turn), r * np.sin(turn)
    legs = np.linspace(18.0, 0.0, 20)[:, None]
    left = (np.broadcast_to(-r, (20, 15)), np.broadcast_to(legs, (20, 15)))
    right = (np.broadcast_to(r, (20, 15)), np.broadcast_to(legs[::-1], (20, 15)))
    x, y = np.vstack([left[0], x, right[0]]), np.vstack([left[1], y, right[1]])
    z = np.broadcast_to(5.0 * (1.0 - across**2), x.shape)
    points = np.stack([x, y, z], axis=-1)
    own = np.arange(x.size).reshape(x.shape)
    a, b, c, d = own[:-1, :-1], own[1:, :-1], own[1:, 1:], own[:-1, 1:]
    faces = np.concatenate([np.stack(t, -1).reshape(-1, 3) for t in ((a, c, b), (a, d, c))])
    return points.reshape(-1, 3), faces.astype(np.int32)


@pytest.mark.parametrize(
    "motion", [(0.0,) * 6, (1.1, -0.7, 2.0, 40.0, -3.0, 9.0), (0.0, 3.1, 0.4, 0.0, 0.0, 500.0)]
)
def test_an_arch_is_seen_from_its_crest_with_the_front_below_in_any_frame(motion: tuple[float, ...]) -> None:
    points, faces = arch()
    T = small_motion(np.array(motion))
    eye = whole_eye(apply(T, points), faces, *SHEET)
    assert T[:3, 2] @ eye.toward == pytest.approx(1.0, abs=5e-3)
    assert T[:3, 1] @ eye.up == pytest.approx(1.0, abs=5e-3)
    assert np.linalg.det(np.stack([eye.right, eye.up, eye.toward])) == pytest.approx(1.0, abs=1e-9)
    on_paper = eye.on_paper(apply(T, points))
    assert np.abs(on_paper[:, 0]).max() < 0.5 * eye.span_mm
    assert np.abs(on_paper[:, 1]).max() < 0.5 * eye.span_mm * SHEET[1] / SHEET[0]


def rings(drawing: object) -> list[Circle]:
    return [m for m in drawing.marks if isinstance(m, Circle) and m.radius == 9.0 and m.width == 2.0]  # type: ignore[attr-defined]


def test_the_ring_lies_on_the_place_on_the_whole_and_in_the_middle_of_the_close_up() -> None:
    points, faces = arch()
    place = np.array([-22.0, 6.0, 5.0])
    drawing = place_drawing(points, faces, [place], "here")
    first, second = rings(drawing)
    eye = whole_eye(points, faces, *SHEET)
    scale = SHEET[0] / eye.span_mm
    right, up = eye.on_paper(place[None])[0]
    assert (first.middle.x, first.middle.y) == pytest.approx(
        (0.5 * SHEET[0] + scale * right, 0.5 * SHEET[1] - scale * up)
    )
    assert (second.middle.x, second.middle.y) == pytest.approx(
        (SHEET[0] + GAP + 0.5 * CLOSE[0], 0.5 * CLOSE[1])
    )


def test_several_places_are_numbered_and_the_first_is_the_one_close_up() -> None:
    points, faces = arch()
    drawing = place_drawing(points, faces, [points[10], points[400], points[800]], "there")
    assert len(rings(drawing)) == 4
    assert [m.text for m in drawing.marks if isinstance(m, Words) and m.is_bold] == ["1", "2", "3"]


def test_a_place_beside_the_surface_is_drawn_too() -> None:
    points, faces = arch()
    assert png(place_drawing(points, faces, [np.array([0.0, 5.0, 0.0])], "in the gap"))


def test_the_bar_is_as_long_as_it_says() -> None:
    points, faces = arch()
    drawing = record_drawing(points, faces, "an arch")
    (words,) = [m.text for m in drawing.marks if isinstance(m, Words)]
    bar = next(m for m in drawing.marks if isinstance(m, Lines) and m.width == 1.6)
    long = bar.segments[0].end.x - bar.segments[0].start.x
    assert long == pytest.approx(
        float(words.split()[0]) * SHEET[0] / whole_eye(points, faces, *SHEET).span_mm
    )
    assert CLOSE_MM == 16.0


def test_both_ways_of_writing_it_hold_the_picture() -> None:
    drawing = record_drawing(*arch(), "an arch")
    image = Image.open(io.BytesIO(png(drawing, 1)))
    assert image.size == SHEET
    raster = next(m for m in drawing.marks if isinstance(m, Raster))
    dark = np.count_nonzero(np.array(image) < 250) / image.size[0] / image.size[1]
    assert dark == pytest.approx(np.mean(raster.greys < 250), abs=0.03)
    assert "data:image/png;base64," in svg(drawing)
