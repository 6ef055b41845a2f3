"""A drawing as PNG, in greys, with the scalable face that the imaging library brings: the same bytes on every machine that
has the same version of it."""

from __future__ import annotations

import io
from functools import lru_cache

from PIL import Image, ImageDraw, ImageFont

from server.explain.drawing import Anchor, Circle, Drawing, Lines, Raster, Shape, Spot, Tone, Words, arc

FINER = 2
"""Drawn this much finer than it is given out, and brought down by averaging."""
PAPER = 255
GREY = {Tone.FULL: 20, Tone.SOFT: 95, Tone.PAPER: PAPER}
_ANCHOR = {Anchor.START: "lm", Anchor.MIDDLE: "mm", Anchor.END: "rm"}
_PLAIN = str.maketrans({"–": "-", "−": "-", "—": "-", "×": "x", "²": "2", "³": "3"})


def png(drawing: Drawing, pixels_per_unit: int = 2) -> bytes:
    """The drawing as PNG bytes, `pixels_per_unit` pixels to a unit each way."""
    size = (round(drawing.width * pixels_per_unit), round(drawing.height * pixels_per_unit))
    fine = pixels_per_unit * FINER
    image = Image.new("L", (size[0] * FINER, size[1] * FINER), PAPER)
    pen = ImageDraw.Draw(image)
    for mark in drawing.marks:
        if isinstance(mark, Raster):
            _lay(image, mark, fine)
        else:
            _draw(pen, mark, fine)
    out = io.BytesIO()
    image.reduce(FINER).save(out, "PNG")
    return out.getvalue()


def _lay(image: Image.Image, raster: Raster, fine: int) -> None:
    size = (round(raster.width * fine), round(raster.height * fine))
    left, top = _at(raster.at, fine)
    picture = Image.fromarray(raster.greys).resize(size, Image.Resampling.BILINEAR)
    image.paste(picture, (round(left), round(top)))


def _draw(pen: ImageDraw.ImageDraw, mark: Lines | Shape | Circle | Words, fine: int) -> None:
    grey = GREY[mark.tone]
    if isinstance(mark, Words):
        text = printable(mark.text)
        bolder = max(round(mark.size * fine / 45.0), 1) if mark.is_bold else 0
        face = _face(round(mark.size * fine))
        pen.text(_at(mark.at, fine), text, grey, face, _ANCHOR[mark.anchor], stroke_width=bolder)
        return
    width = max(round(mark.width * fine), 1)
    if isinstance(mark, Lines):
        for segment in mark.segments:
            pen.line([_at(segment.start, fine), _at(segment.end, fine)], grey, width)
        return
    if isinstance(mark, Circle):
        mark = Shape(arc(mark.middle, mark.radius, 0.0, 360.0)[:-1], mark.width, mark.tone, is_closed=True)
    _outline(pen, mark, fine, grey, width)


def _outline(pen: ImageDraw.ImageDraw, shape: Shape, fine: int, grey: int, width: int) -> None:
    spots = [_at(s, fine) for s in shape.spots]
    if shape.is_filled:
        pen.polygon(spots, fill=grey)
    run = [*spots, spots[0]] if shape.is_closed else spots
    pen.line(run, grey, width, joint="curve")


def _at(spot: Spot, fine: int) -> tuple[float, float]:
    return spot.x * fine, spot.y * fine


def printable(text: str) -> str:
    """The text with what the face lacks written plainly, or as a question mark."""
    return "".join(c if _is_known(c) else "?" for c in text.translate(_PLAIN))


@lru_cache(maxsize=64)
def _face(size: int) -> ImageFont.FreeTypeFont:
    return _scalable(size)


def _scalable(size: int) -> ImageFont.FreeTypeFont:
    face = ImageFont.load_default(size)
    if not isinstance(face, ImageFont.FreeTypeFont):
        raise RuntimeError("the imaging library was built without scalable faces")
    return face


@lru_cache(maxsize=4096)
def _is_known(character: str) -> bool:
    if character == " ":
        return True
    if not character.isprintable():
        return False
    face = _face(32)
    return bytes(face.getmask(character)) != bytes(face.getmask("\u4e00"))
