"""The impression figure: its numbers, the page it lies on, strokes that say how much and which way, the places of most."""

from __future__ import annotations

import itertools
import math

import numpy as np
import pytest
from lxml import etree

from server.explain.drawing import Box, Circle, Lines, Words
from server.explain.figures import figure_of, figures_of, png_of, svg_of
from server.explain.impression import ImpressionFigure, impression_figure
from server.explain.impression_drawing import DIFFERENCES, RING, impression_drawing, sheet_of
from server.explain.plan_drawing import FALLING, RISING, swatch
from server.measures.denture_laid import Laid
from server.measures.frames import JointResult, Placed
from server.measures.impression import PlanValues
from server.measures.relation import rows_of
from server.metrology.rigid import apply, inverse
from server.records.roles import Role
from server.records.teeth import Arch
from server.rules.finding import Finding
from server.rules.limit import Level, Outcome
from tests.metrology.registration.landscapes import frame
from tests.rules.impressions import compared, fitting

RULE = "denture/impression-mismatch"
T_ROOT_TISSUE, T_TISSUE_DENTURE = frame(3), frame(4)
TO_ROOT = T_ROOT_TISSUE @ T_TISSUE_DENTURE
ORIGIN = np.array([1.0, 2.0, 3.0])
RIGHT, TOP = np.array([0.0, 1.0, 0.0]), np.array([0.0, 0.0, 1.0])
PLACES = ((25.0, -3.0), (-22.0, 8.0))


def plan(is_side_known: bool = True) -> PlanValues:
    """A bow open downward, off by 0.9 mm at its right end and inside by 0.9 mm at its left one."""
    x, y = np.meshgrid(np.arange(-30.0, 30.0, 1.5), np.arange(-6.0, 36.0, 1.5))
    is_on = (np.hypot(x, y) > 16.0) & (np.hypot(x, y) < 28.0)
    um = np.rint(30.0 * x).astype(int)
    return PlanValues(
        step_mm=1.5,
        low_mm=(-30.0, -6.0),
        rows=tuple(
            tuple(int(v) if on else None for v, on in zip(row, there, strict=True))
            for row, there in zip(um, is_on, strict=True)
        ),
        origin_mm=tuple(ORIGIN),
        right=tuple(RIGHT),
        top=tuple(TOP),
        is_side_known=is_side_known,
    )


def figure(arch: Arch = Arch.UPPER, **changes: object) -> ImpressionFigure:
    """The figure of a denture, tissue and jaw in frames of their own."""
    in_root = [ORIGIN + x * RIGHT + y * TOP for x, y in PLACES]
    told = compared(
        **{
            "tissue": "tissue.stl",
            "plan": plan(),
            "T_tissue_denture": rows_of(T_TISSUE_DENTURE),
            "off_at_mm": tuple(tuple(p) for p in apply(inverse(TO_ROOT), np.array(in_root))),
            "off_mm": (0.75, -0.66),
            **changes,
        }
    )
    joint = JointResult(
        root="jaw.stl",
        records=(Placed(file="tissue.stl", T_root_record=rows_of(T_ROOT_TISSUE)),),
        links=(),
    )
    made = impression_figure(told, joint, Role.TISSUE, arch)
    assert made is not None
    return made


def words(of: ImpressionFigure) -> list[Words]:
    return [mark for mark in impression_drawing(of).marks if isinstance(mark, Words)]


def test_places_come_to_the_plan_through_the_frames_of_denture_tissue_and_jaw() -> None:
    shown = figure()
    assert [p.plan_mm for p in shown.places] == [pytest.approx(at, abs=1e-9) for at in PLACES]
    assert [p.off_mm for p in shown.places] == [0.75, -0.66]


def test_a_numbered_ring_stands_at_each_place_and_its_number_in_the_table() -> None:
    shown = figure()
    sheet = sheet_of(shown)
    rings = [m for m in impression_drawing(shown).marks if isinstance(m, Circle) and m.radius == RING]
    for ring, at in zip(rings, PLACES, strict=True):
        spot = sheet.spot(*at)
        assert (ring.middle.x, ring.middle.y) == pytest.approx((spot.x, spot.y))
    texts = [w.text for w in words(shown)]
    for number, (way, size) in enumerate([("stands off", "0.75 mm"), ("reaches into it", "0.66 mm")], 1):
        assert f"{number}  {way}" in texts
        assert size in texts


def test_without_a_plan_there_is_no_figure() -> None:
    assert impression_figure(compared(), None, Role.TISSUE, None) is None
    assert figures_of(fitting()).impression is None
    assert figures_of(fitting(plan=plan(), laid=Laid.JOINT)).impression is not None


def test_findings_of_its_rule_are_shown_by_it_and_no_others() -> None:
    shown = figures_of(fitting(plan=plan()))
    found = Finding(rule=RULE, revision=1, outcome=Outcome.FAILED, level=Level.LOOK, records=("denture.stl",))
    assert shown.impression is not None
    assert figure_of(found, shown) is shown.impression
    assert shown.named(shown.impression.name) is shown.impression
    assert figure_of(found.model_copy(update={"outcome": Outcome.PASSED}), shown) is None
    assert figure_of(found.model_copy(update={"rule": "denture/thin"}), shown) is None


def test_the_front_is_at_the_top_of_an_upper_jaw_and_the_patients_right_on_the_left() -> None:
    for arch in Arch:
        at = {w.text: w.at for w in words(figure(arch))}
        assert (at["front"].y < at["patient's left"].y) is (arch is Arch.UPPER)
        assert at["patient's right"].x < at["patient's left"].x


def test_sides_that_are_not_known_are_not_named() -> None:
    texts = [w.text for w in words(figure(plan=plan(is_side_known=False)))]
    assert not {"front", "patient's left", "patient's right"} & set(texts)


def test_more_is_denser_by_even_steps_both_ways() -> None:
    """Ink in a box of one size: each band holds about half as much again as the next fainter one; what mucosa gives is bare."""
    box = Box(0.0, 0.0, 400.0, 400.0)
    inks = [
        sum(math.hypot(s.end.x - s.start.x, s.end.y - s.start.y) for s in swatch(band, box))
        for band in DIFFERENCES.bands
    ]
    middle = len(inks) // 2
    assert inks[middle] == 0.0
    assert inks == pytest.approx(inks[::-1])
    steps = [b / a for a, b in itertools.pairwise(inks[middle + 1 :])]
    assert steps == pytest.approx([1.5] * len(steps), abs=0.15)


def test_strokes_rise_where_it_stands_off_and_fall_where_it_reaches_in() -> None:
    for k, band in enumerate(DIFFERENCES.bands):
        expected = {-1: (FALLING,), 0: (), 1: (RISING,)}[int(np.sign(k - len(DIFFERENCES.bands) // 2))]
        assert band.slopes == expected
    shown = figure()
    sheet = sheet_of(shown)
    strokes = [
        s
        for m in impression_drawing(shown).marks
        if isinstance(m, Lines) and m.width == 0.8
        for s in m.segments
        if max(s.start.y, s.end.y) < sheet.bottom
    ]
    for s in strokes:
        rises = (s.end.y - s.start.y) * (s.end.x - s.start.x) < 0.0
        assert rises is (0.5 * (s.start.x + s.end.x) > sheet.spot(0.0, 0.0).x)
    assert len(strokes) > 50


def test_differences_fall_into_their_bands() -> None:
    off = np.array([-1.2, -0.8, -0.5, -0.3, 0.0, 0.3, 0.5, 0.8, 1.2, np.nan])
    assert DIFFERENCES.number_of(off).tolist() == [*range(9), 9]


def test_lines_of_equal_difference_bear_signed_numbers() -> None:
    texts = {w.text for w in words(figure()) if w.size == 8.5}
    assert texts <= {f"{level:+g}" for level in DIFFERENCES.levels_mm}
    assert {"+0.4", "-0.4"} <= texts


def test_the_evened_plan_keeps_what_was_measured() -> None:
    """A plane is itself after evening, but for its border."""
    sheet = sheet_of(figure())
    rows, columns = np.nonzero(np.isfinite(sheet.values_mm))
    x = sheet.low[0] + columns * sheet.cell
    off = sheet.values_mm[rows, columns] - 0.030 * x
    assert np.median(np.abs(off)) < 0.005
    assert np.abs(off).max() < 0.030 * 1.5


def test_the_numbers_are_said_in_the_sentence_below() -> None:
    shown = figure(p95_mm=0.71, spread_mm=0.12)
    drawing = impression_drawing(shown)
    for said in ("tissue scan", "0.71 mm", "0.12 mm", "stands off by 0.75 mm", "reaches into it by 0.66 mm"):
        assert said in drawing.says


def test_it_is_written_as_svg_of_some_size_without_style_or_colour_and_as_png() -> None:
    shown = figure()
    text = svg_of(shown)
    etree.fromstring(text.encode())
    assert "style" not in text
    assert len(text) < 80_000
    assert png_of(shown).startswith(b"\x89PNG")
