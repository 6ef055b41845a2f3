"""A record as a picture: the whole of it from where it shows most, and close up the place that a finding points at."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from server.explain.drawing import Anchor, Circle, Drawing, Lines, Mark, Raster, Segment, Spot, Tone, Words
from server.explain.shading import Eye, Faces, Floats, shaded

OPEN_SHARE = 0.15
"""Of its area: what a surface must face one way together to be seen from there; a closed one faces all ways alike."""
MIDDLE_SHARE, WIDE = 0.15, 0.5
AROUND_MM = 3.0
CLOSE_MM = 16.0
MARGIN = 1.08
SHEET, CLOSE = (300, 230), (230, 230)
GAP = 14
PIXELS = 2
"""Greys are reckoned this much finer than the drawing's units."""
MOST_NUMBERED = 6
RING, HALO = 9.0, 3.4
BARS_MM = (1.0, 2.0, 5.0, 10.0, 20.0, 50.0)
"""Lengths that a scale bar may have."""


def whole_eye(vertices: Floats, faces: Faces, width: int, height: int) -> Eye:
    """From where a surface shows most: against the side that it faces, its widest way across, the front of an arch below.

    The same surface is seen alike in any frame. vertices (n, 3) mm, faces (m, 3), not empty.
    """
    a, b, c = (vertices[faces[:, k]] for k in range(3))
    normal = 0.5 * np.cross(b - a, c - a)
    area = np.linalg.norm(normal, axis=1)
    middle, share = (a + b + c) / 3.0, area / max(float(area.sum()), 1e-12)
    centre = share @ middle
    _, axes = np.linalg.eigh((middle - centre).T @ ((middle - centre) * share[:, None]))
    facing = normal.sum(axis=0)
    if np.linalg.norm(facing) > OPEN_SHARE * area.sum():
        toward = facing / np.linalg.norm(facing)
    else:
        toward = _signed(axes[:, 0], middle - centre, share)
    flat = axes.T[::-1] - np.outer(axes.T[::-1] @ toward, toward)
    along = flat[int(np.argmax(np.linalg.norm(flat, axis=1) > WIDE))]
    along /= np.linalg.norm(along)
    across = np.cross(toward, along)
    used = vertices[np.unique(faces)]
    up = _from_front(used @ along, used @ across) * across
    right = np.cross(up, toward)
    span = [np.array([(used @ axis).min(), (used @ axis).max()]) for axis in (right, up)]
    centre = right * span[0].mean() + up * span[1].mean() + toward * float((used @ toward).mean())
    across_mm, tall_mm = float(np.ptp(span[0])), float(np.ptp(span[1]))
    return Eye(right, up, toward, centre, MARGIN * max(across_mm, tall_mm * width / height))


def _from_front(along: Floats, across: Floats) -> float:
    """1 or -1: which way across an arch its open end lies. In the middle of its width an arch has a front only."""
    middle, half = 0.5 * (along.min() + along.max()), 0.5 * np.ptp(along)
    inner = np.abs(along - middle) < MIDDLE_SHARE * half
    if not inner.any():
        return 1.0
    return 1.0 if across[inner].mean() < 0.5 * (across.min() + across.max()) else -1.0


def _signed(axis: Floats, points: Floats, share: Floats) -> Floats:
    """The axis with the sign that points to where less of the surface reaches farther."""
    return axis if float(share @ (points @ axis) ** 3) >= 0.0 else -axis


def close_eye(vertices: Floats, faces: Faces, place: Floats, whole: Eye) -> Eye:
    """From before a place: against the side that the surface about it faces; from where the whole is seen, where none is."""
    corners = vertices[faces]
    near = np.linalg.norm(corners.mean(axis=1) - place, axis=1) < AROUND_MM
    a, b, c = (corners[near, k] for k in range(3))
    facing = np.cross(b - a, c - a).sum(axis=0) if near.any() else whole.toward
    length = float(np.linalg.norm(facing))
    toward = facing / length if length > 1e-9 else whole.toward
    up = whole.up - (whole.up @ toward) * toward
    if np.linalg.norm(up) < 0.2:
        up = whole.toward - (whole.toward @ toward) * toward
    up /= np.linalg.norm(up)
    return Eye(np.cross(up, toward), up, toward, np.asarray(place, dtype=np.float64), CLOSE_MM)


def record_drawing(vertices: Floats, faces: Faces, says: str) -> Drawing:
    """The whole record with a scale bar."""
    eye = whole_eye(vertices, faces, *SHEET)
    marks = _view(vertices, faces, eye, 0.0, SHEET, ())
    return Drawing(SHEET[0], SHEET[1], says, tuple(marks))


def place_drawing(vertices: Floats, faces: Faces, places: Sequence[Floats], says: str) -> Drawing:
    """The whole record with every place ringed, and the first of them close up. places: (3,) each, in the record's frame, mm."""
    whole = whole_eye(vertices, faces, *SHEET)
    left = SHEET[0] + GAP
    close = close_eye(vertices, faces, places[0], whole)
    marks = [
        *_view(vertices, faces, whole, 0.0, SHEET, places[:MOST_NUMBERED]),
        *_view(vertices, faces, close, float(left), CLOSE, places[:1]),
    ]
    return Drawing(left + CLOSE[0], SHEET[1], says, tuple(marks))


def _view(
    vertices: Floats, faces: Faces, eye: Eye, left: float, size: tuple[int, int], places: Sequence[Floats]
) -> list[Mark]:
    width, height = size
    greys = shaded(vertices, faces, eye, PIXELS * width, PIXELS * height)
    scale = width / eye.span_mm
    marks: list[Mark] = [Raster(Spot(left, 0.0), float(width), float(height), greys)]
    for number, place in enumerate(places, start=1):
        right, up = eye.on_paper(np.asarray(place, dtype=np.float64)[None])[0]
        at = Spot(left + 0.5 * width + scale * float(right), 0.5 * height - scale * float(up))
        marks += _ring(at, str(number) if len(places) > 1 else "")
    return [*marks, *_bar(left, height, scale)]


def _ring(at: Spot, label: str) -> list[Mark]:
    """A ring with four ticks, dark within a pale band, so that it stands out on any grey."""
    ticks = tuple(Segment(at.at(turn, RING), at.at(turn, RING + 6.0)) for turn in (45.0, 135.0, 225.0, 315.0))
    marks: list[Mark] = []
    for width, tone in ((2.0 + 2.0 * HALO, Tone.PAPER), (2.0, Tone.FULL)):
        marks += [Circle(at, RING, width, tone), Lines(ticks, width, tone)]
    if label:
        where = Spot(at.x + RING + 12.0, at.y)
        marks += [
            Circle(where, 4.0, 8.0, Tone.PAPER),
            Words(where, label, 12.0, Anchor.MIDDLE, is_bold=True),
        ]
    return marks


def _bar(left: float, height: int, scale: float) -> list[Mark]:
    """A length to compare with, at the foot."""
    long_mm = max((mm for mm in BARS_MM if mm * scale < 90.0), default=BARS_MM[0])
    y, x = height - 9.0, left + 8.0
    end = x + long_mm * scale
    strokes = (
        Segment(Spot(x, y), Spot(end, y)),
        Segment(Spot(x, y - 4.0), Spot(x, y + 4.0)),
        Segment(Spot(end, y - 4.0), Spot(end, y + 4.0)),
    )
    words = Words(Spot(end + 6.0, y), f"{long_mm:g} mm", 11.0, Anchor.START)
    band = (Segment(Spot(words.at.x, y), Spot(words.box.right - 3.0, y)),)
    return [
        Lines(strokes, 6.0, Tone.PAPER),
        Lines(band, 15.0, Tone.PAPER),
        Lines(strokes, 1.6),
        words,
    ]
