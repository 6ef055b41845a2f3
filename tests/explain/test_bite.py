"""The bite figure: its numbers, the page it lies on, strokes that grow denser by even steps, contacts and numbers in place."""

from __future__ import annotations

import itertools
import math

import numpy as np
import pytest
from lxml import etree

from server.explain.bite import BiteFigure
from server.explain.bite_drawing import GAPS, RING, bite_drawing, sheet_of
from server.explain.drawing import Box, Circle, Lines, Words
from server.explain.figures import figure_of, figures_of, png_of, svg_of
from server.explain.plan_drawing import swatch
from server.measures.bite_regions import Region
from server.records.roles import Role
from server.rules.catalogue import RULES
from server.rules.finding import Finding
from server.rules.limit import Level, Outcome
from tests.rules.biting import closed, contact, depth

BITE_RULES = [rule.id for rule in RULES if rule.group == "bite"]


def figures(arch: str = "lower", **changes: object) -> tuple[BiteFigure, ...]:
    return figures_of(closed(None, contact(**changes), working_arch=arch)).bite  # type: ignore[arg-type]


def texts(figure: BiteFigure) -> list[str]:
    return [mark.text for mark in bite_drawing(figure).marks if isinstance(mark, Words)]


def at(figure: BiteFigure, text: str) -> Words:
    return next(m for m in bite_drawing(figure).marks if isinstance(m, Words) and m.text == text)


def test_both_surfaces_are_shown_each_as_its_own_jaw() -> None:
    working, opposing = figures()
    assert [(f.name, f.record, f.other) for f in (working, opposing)] == [
        ("bite-on-denture", "denture.stl", "opposing.stl"),
        ("bite-on-opposing", "opposing.stl", "denture.stl"),
    ]
    assert (working.is_upper, opposing.is_upper) == (False, True)
    assert working.role is Role.DENTURE
    assert np.isfinite(working.gap_mm).any()


def test_without_a_measured_bite_there_is_none() -> None:
    assert figures(working_plan=None, opposing_plan=None) == ()


@pytest.mark.parametrize("rule", BITE_RULES)
def test_findings_about_the_bite_name_the_working_surface(rule: str) -> None:
    shown = figures_of(closed())
    found = Finding(
        rule=rule, revision=1, outcome=Outcome.FAILED, level=Level.LOOK, records=("opposing.stl",)
    )
    assert figure_of(found, shown) is shown.bite[0]
    assert figure_of(found.model_copy(update={"outcome": Outcome.PASSED}), shown) is None


def test_the_front_of_an_upper_jaw_is_at_the_top_and_the_patients_left_on_the_right() -> None:
    lower, upper = figures("lower")[0], figures("upper")[0]
    assert at(upper, "front").at.y < at(upper, "patient's left").at.y
    assert at(lower, "front").at.y > at(lower, "patient's left").at.y
    for figure in (lower, upper):
        assert at(figure, "patient's right").at.x < at(figure, "patient's left").at.x
        sheet = sheet_of(figure)
        assert sheet.spot(20.0, 0.0).x > sheet.spot(-20.0, 0.0).x
        front, back = sheet.spot(0.0, 30.0).y, sheet.spot(0.0, 0.0).y
        assert (front < back) is figure.is_upper


def test_nearer_is_denser_by_even_steps() -> None:
    """Ink in a box of one size: each band holds about half as much again as the next wider one."""
    box = Box(0.0, 0.0, 400.0, 400.0)
    inks = [
        sum(math.hypot(s.end.x - s.start.x, s.end.y - s.start.y) for s in swatch(band, box))
        for band in GAPS.bands
    ]
    assert inks[-1] == 0.0
    steps = [a / b for a, b in itertools.pairwise(inks[:-1])]
    assert steps == pytest.approx([1.5] * len(steps), abs=0.15)


def test_gaps_fall_into_their_bands() -> None:
    gaps = np.array([-0.2, 0.0, 0.1, 0.2, 0.5, 0.9, 1.5, 2.5, np.nan])
    assert GAPS.number_of(gaps).tolist() == [0, 1, 1, 2, 3, 4, 5, 6, len(GAPS.bands)]


def test_strokes_lie_where_their_band_is_and_out_of_rings_and_numbers() -> None:
    figure = figures()[0]
    drawing, sheet = bite_drawing(figure), sheet_of(figure)
    rings = [m for m in drawing.marks if isinstance(m, Circle) and m.radius == RING]
    assert len(rings) == len(figure.contacts) > 0
    for mark in [m for m in drawing.marks if isinstance(m, Lines) and m.width == 0.8]:
        middles = [(0.5 * (s.start.x + s.end.x), 0.5 * (s.start.y + s.end.y)) for s in mark.segments]
        on_plan = [(x, y) for x, y in middles if y < sheet.centre.y + 0.5 * sheet.height]
        for x, y in on_plan:
            assert all(math.hypot(x - r.middle.x, y - r.middle.y) > RING for r in rings)
        if on_plan:
            bands = sheet.bands_at(*(np.array(axis) for axis in zip(*on_plan, strict=True)))
            assert (bands < len(GAPS.bands) - 1).mean() > 0.95


def test_lines_of_equal_gap_bear_their_numbers_and_no_two_overlap() -> None:
    figure = figures()[0]
    words = [m for m in bite_drawing(figure).marks if isinstance(m, Words) and m.size == 8.5]
    assert {w.text for w in words} <= {f"{level:g}" for level in GAPS.levels_mm}
    assert len({w.text for w in words}) >= 3
    assert not any(a.box.meets(b.box) for a, b in itertools.combinations(words, 2))


def test_a_number_stands_beside_every_line_of_the_table() -> None:
    figure = figures(left=0.31, right=None)[0]
    said = texts(figure)
    assert {"behind, patient's left", "behind, patient's right", "front"} <= set(said)
    assert "0.31" in said
    row = next(r for r in figure.regions if r.region is Region.RIGHT)
    assert (row.least_mm, row.contact_mm2) == (None, 0.0)
    assert "over 3 mm" in figure.says


def test_the_deepest_place_is_marked_only_where_the_jaws_stand_inside_each_other() -> None:
    assert "deepest" in texts(figures(pressed=depth(0.3))[0])
    assert "deepest" not in texts(figures()[0])


def test_it_is_written_as_svg_of_some_size_without_style_or_colour_and_as_png() -> None:
    figure = figures()[0]
    text = svg_of(figure)
    etree.fromstring(text.encode())
    assert "style" not in text
    assert len(text) < 80_000
    assert png_of(figure).startswith(b"\x89PNG")
