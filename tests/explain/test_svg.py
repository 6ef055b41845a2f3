from __future__ import annotations

import pytest
from lxml import etree

from server.explain.drawing import Anchor, Circle, Drawing, Lines, Segment, Shape, Spot, Tone, Words
from server.explain.svg import svg

HOSTILE = '<script>alert(1)</script>" onload="x" & \x00\x1b\ud800\ufffe 34'
NAMESPACE = "{http://www.w3.org/2000/svg}"
ALLOWED = {"svg", "g", "path", "circle", "text"}


def parsed(*marks: Lines | Shape | Words, says: str = "A figure.") -> etree._Element:
    return etree.fromstring(svg(Drawing(100.0, 50.5, says, marks)).encode("utf-8"))


def test_marks_become_paths_and_texts_at_their_places() -> None:
    root = parsed(
        Lines(
            (Segment(Spot(1.0, 2.0), Spot(3.25, 4.0)), Segment(Spot(0.0, 0.0), Spot(5.0, 5.0))),
            1.5,
            Tone.SOFT,
        ),
        Shape((Spot(0.0, 0.0), Spot(10.0, 0.0), Spot(0.0, 10.0)), is_closed=True, is_filled=True),
        Circle(Spot(7.0, 8.0), 3.5, 0.6, Tone.SOFT),
        Words(Spot(20.0, 30.0), "34", 10.0, Anchor.END, is_bold=True),
    )
    assert root.get("viewBox") == "0 0 100 50.5"
    lines, shape = root.findall(f"{NAMESPACE}path")
    assert (lines.get("d"), lines.get("stroke-width"), lines.get("opacity")) == (
        "M1 2L3.2 4M0 0L5 5",
        "1.5",
        "0.72",
    )
    assert (shape.get("d"), shape.get("fill")) == ("M0 0L10 0L0 10Z", "currentColor")
    (ring,) = root.findall(f"{NAMESPACE}circle")
    assert [ring.get(name) for name in ("cx", "cy", "r", "stroke-width", "opacity")] == [
        "7",
        "8",
        "3.5",
        "0.6",
        "0.72",
    ]
    (text,) = root.iter(f"{NAMESPACE}text")
    assert (text.text, text.get("x"), text.get("y"), text.get("text-anchor")) == ("34", "20", "33.5", "end")


@pytest.mark.parametrize("place", ["text", "label"])
def test_hostile_words_stay_words(place: str) -> None:
    marks = (Words(Spot(0.0, 0.0), HOSTILE),) if place == "text" else ()
    root = parsed(*marks, says=HOSTILE)
    kept = '<script>alert(1)</script>" onload="x" &  34'
    assert root.get("aria-label") == kept
    assert [text.text for text in root.iter(f"{NAMESPACE}text")] == ([kept] if marks else [])
    assert {etree.QName(e).localname for e in root.iter()} <= ALLOWED
    assert not any(
        name.lower().startswith("on") or name in ("style", "href") for e in root.iter() for name in e.attrib
    )


def test_it_takes_the_ink_of_what_stands_around_it() -> None:
    root = parsed(Words(Spot(0.0, 0.0), "a"))
    colours = {e.get(name) for e in root.iter() for name in ("fill", "stroke") if e.get(name)}
    assert colours == {"currentColor", "none"}
