"""A drawing as SVG (W3C, SVG 1.1): for a page, where it takes the page's ink, or as a file of its own.

No script, style, link or id is in it; everything that came from outside is escaped.
"""

from __future__ import annotations

import io
from base64 import b64encode
from collections.abc import Iterable
from html import escape
from itertools import groupby

import numpy as np
from PIL import Image

from server.explain.drawing import (
    Anchor,
    Circle,
    Drawing,
    Lines,
    Mark,
    Raster,
    Segment,
    Shape,
    Spot,
    Tone,
    Words,
)

BASELINE = 0.35
"""Of its size: how far the baseline of a text lies below its middle."""
_OPACITY = {Tone.FULL: "", Tone.SOFT: ' opacity="0.72"', Tone.PAPER: ' stroke="#fff"'}


def svg(drawing: Drawing) -> str:
    """The drawing as one SVG element. Where no ink is given by what stands around it, it is black."""
    width, height = _number(drawing.width), _number(drawing.height)
    runs = groupby(drawing.marks, key=lambda mark: isinstance(mark, Words))
    marks = "".join(_run(list(run), are_words=are_words) for are_words, run in runs)
    return (
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {width} {height}" role="img" '
        f'aria-label="{_safe(drawing.says)}" fill="none" stroke="currentColor" stroke-linecap="round" '
        f'stroke-linejoin="round" font-family="sans-serif">{marks}</svg>'
    )


def _run(marks: list[Mark], *, are_words: bool) -> str:
    inner = "".join(_mark(mark) for mark in marks)
    return f'<g fill="currentColor" stroke="none" text-anchor="middle">{inner}</g>' if are_words else inner


def _mark(mark: Mark) -> str:
    if isinstance(mark, Words):
        return _words(mark)
    if isinstance(mark, Lines):
        return _path(_strokes(mark.segments), mark.width, mark.tone) if mark.segments else ""
    if isinstance(mark, Raster):
        return _raster(mark)
    if isinstance(mark, Circle):
        return (
            f'<circle cx="{_number(mark.middle.x)}" cy="{_number(mark.middle.y)}" r="{_number(mark.radius)}" '
            f'stroke-width="{_number(mark.width)}"{_OPACITY[mark.tone]}/>'
        )
    return _path(_outline(mark), mark.width, mark.tone, is_filled=mark.is_filled)


def _raster(raster: Raster) -> str:
    """The greys as a picture within the drawing, see-through where they are paper."""
    out = io.BytesIO()
    pale = np.where(raster.greys == 255, 0, 255).astype(np.uint8)
    Image.fromarray(np.stack([raster.greys, pale], axis=-1), "LA").save(out, "PNG")
    return (
        f'<image x="{_number(raster.at.x)}" y="{_number(raster.at.y)}" width="{_number(raster.width)}" '
        f'height="{_number(raster.height)}" href="data:image/png;base64,{b64encode(out.getvalue()).decode()}"/>'
    )


def _path(run: str, width: float, tone: Tone, *, is_filled: bool = False) -> str:
    fill = ' fill="currentColor"' if is_filled else ""
    return f'<path d="{run}" stroke-width="{_number(width)}"{fill}{_OPACITY[tone]}/>'


def _strokes(segments: Iterable[Segment]) -> str:
    return "".join(f"M{_at(s.start)}L{_at(s.end)}" for s in segments)


def _outline(shape: Shape) -> str:
    first, *rest = shape.spots
    return f"M{_at(first)}" + "".join(f"L{_at(s)}" for s in rest) + ("Z" if shape.is_closed else "")


def _words(words: Words) -> str:
    weight = ' font-weight="700"' if words.is_bold else ""
    anchor = "" if words.anchor is Anchor.MIDDLE else f' text-anchor="{words.anchor.value}"'
    y = words.at.y + BASELINE * words.size
    return (
        f'<text x="{_number(words.at.x)}" y="{_number(y)}" font-size="{_number(words.size)}"'
        f"{anchor}{weight}{_OPACITY[words.tone]}>{_safe(words.text)}</text>"
    )


def _at(spot: Spot) -> str:
    return f"{_number(spot.x)} {_number(spot.y)}"


def _number(value: float) -> str:
    return f"{value:.1f}".removesuffix(".0")


def _safe(text: str) -> str:
    """The text escaped, characters that XML cannot hold left out."""
    return escape("".join(c for c in text if c >= " " and not "\ud800" <= c <= "\udfff" and c < "\ufffe"))
