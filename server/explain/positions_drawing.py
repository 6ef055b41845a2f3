"""A residual figure drawn: the sites in plan with enlarged arrows, and the same as a table below."""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator

from server.explain.drawing import (
    Anchor,
    Box,
    Circle,
    Drawing,
    Lines,
    Mark,
    Segment,
    Shape,
    Spot,
    Tone,
    Words,
    arc,
    arrow,
    clipped,
    dashed,
    paragraph,
)
from server.explain.positions import PositionsFigure, SitePosition

WIDTH = 480.0
PLAN_TOP = 84.0
MARGIN = 70.0
MOST_PER_MM = 6.0
SITE_RADIUS = 3.5
ROW = 18.0
TABLE_GAP = 46.0
LABEL_SIZE = 12.0
COLUMNS = (16.0, 150.0, 240.0, 330.0, 464.0)
HEADS = ("site", "across mm", "height mm", "axis °", "U95 mm, °")


class Plan:
    """Where a place of the plan comes to lie on the sheet; `per_mm` units to a millimetre."""

    def __init__(self, figure: PositionsFigure) -> None:
        ends = [
            (s.plan_mm[0] + e * s.across_mm[0], s.plan_mm[1] + e * s.across_mm[1])
            for s in figure.sites
            for e in (0, figure.enlargement)
        ]
        self.left, self.right = min(x for x, _ in ends), max(x for x, _ in ends)
        self.low, self.top = min(y for _, y in ends), max(y for _, y in ends)
        self.per_mm = min((WIDTH - 2.0 * MARGIN) / max(self.right - self.left, 1.0), MOST_PER_MM)
        self.height = (self.top - self.low) * self.per_mm + 2.0 * MARGIN

    def spot(self, x_mm: float, y_mm: float) -> Spot:
        return Spot(
            0.5 * WIDTH + (x_mm - 0.5 * (self.left + self.right)) * self.per_mm,
            PLAN_TOP + MARGIN + (self.top - y_mm) * self.per_mm,
        )

    def tip(self, site: SitePosition, enlargement: int) -> Spot:
        """Where a site's arrow ends."""
        return self.spot(
            site.plan_mm[0] + enlargement * site.across_mm[0],
            site.plan_mm[1] + enlargement * site.across_mm[1],
        )


def positions_drawing(figure: PositionsFigure) -> Drawing:
    """The figure on a sheet WIDTH wide."""
    plan = Plan(figure)
    below = PLAN_TOP + plan.height
    table = tuple(_table(figure, below + TABLE_GAP))
    says = paragraph(figure.says, 16.0, below + TABLE_GAP + ROW * (len(figure.sites) + 1) + 8.0, WIDTH - 32.0)
    return Drawing(
        width=WIDTH,
        height=says[-1].at.y + 16.0,
        says=f"{figure.says} {_sites_in_words(figure)}",
        marks=(
            *_heading(figure),
            *_sides(figure, below),
            *_arch(figure, plan),
            *_sites(figure, plan),
            *_scales(figure, plan, below),
            *table,
            *says,
        ),
    )


def _heading(figure: PositionsFigure) -> Iterator[Mark]:
    yield Words(Spot(16.0, 20.0), "Positions against the jaw scan", 15.0, Anchor.START, is_bold=True)
    where = "front at the top" if figure.is_front_up else "front at the bottom"
    sides = (
        f", {where}, patient's right on the left" if figure.is_side_known else "; front and sides not known"
    )
    lines = (
        f"Seen onto the occlusal surface{sides}.",
        "Arrow: from the position to where the jaw scan has the site; dashed circle: its uncertainty (U95).",
        "h: height in mm, + where the jaw scan has it higher, toward the opposing jaw.",
    )
    for k, line in enumerate(lines):
        yield Words(Spot(16.0, 42.0 + 14.0 * k), line, 10.0, Anchor.START, tone=Tone.SOFT)


def _sides(figure: PositionsFigure, below: float) -> Iterator[Mark]:
    if not figure.is_side_known:
        return
    y = 0.5 * (PLAN_TOP + below)
    yield Words(Spot(10.0, y), "right", 11.0, Anchor.START, tone=Tone.SOFT)
    yield Words(Spot(WIDTH - 10.0, y), "left", 11.0, Anchor.END, tone=Tone.SOFT)
    edge = PLAN_TOP + 12.0 if figure.is_front_up else below - 12.0
    yield Words(Spot(0.5 * WIDTH, edge), "front", 11.0, tone=Tone.SOFT)


def _arch(figure: PositionsFigure, plan: Plan) -> Iterator[Shape]:
    """A thin line from site to site along the arch."""
    along = sorted(figure.sites, key=lambda s: s.plan_mm[0])
    yield Shape(tuple(plan.spot(*s.plan_mm) for s in along), 0.6, Tone.SOFT)


def _sites(figure: PositionsFigure, plan: Plan) -> Iterator[Mark]:
    taken = [_around(plan.spot(*s.plan_mm), plan.tip(s, figure.enlargement)) for s in figure.sites]
    taken += _along(shape.spots for shape in _arch(figure, plan))
    rings = [_ring(site, figure, plan) for site in figure.sites]
    taken += _along(rings)
    for site, ring in zip(figure.sites, rings, strict=True):
        at, tip = plan.spot(*site.plan_mm), plan.tip(site, figure.enlargement)
        yield Lines(dashed(ring), 0.8, Tone.SOFT)
        yield Circle(at, SITE_RADIUS, width=1.4)
        if site.is_named:
            yield Circle(at, SITE_RADIUS + 4.0, width=1.4)
        yield from arrow(at, tip, 3.0 if site.is_named else 1.8)
        yield from _labelled(site, plan, taken, off_word(figure))


def _around(a: Spot, b: Spot) -> Box:
    return Box(min(a.x, b.x) - 6.0, min(a.y, b.y) - 6.0, max(a.x, b.x) + 6.0, max(a.y, b.y) + 6.0)


def _ring(site: SitePosition, figure: PositionsFigure, plan: Plan) -> tuple[Spot, ...]:
    """The circle of a site's uncertainty, as much enlarged as the arrows."""
    radius = site.u95_mm * figure.enlargement * plan.per_mm
    return arc(plan.spot(*site.plan_mm), radius, 0.0, 360.0)


def _along(lines: Iterable[tuple[Spot, ...]]) -> list[Box]:
    """Small boxes along lines, so that no label is written across them."""
    pieces = [piece for spots in lines for piece in dashed(spots, 4.0, 0.5)]
    return [Box(p.start.x - 2.0, p.start.y - 2.0, p.start.x + 2.0, p.start.y + 2.0) for p in pieces]


def _labelled(site: SitePosition, plan: Plan, taken: list[Box], off: str) -> Iterator[Mark]:
    """The site's code with the height difference below it, where nothing else stands: outward from the arch first."""
    at, middle = plan.spot(*site.plan_mm), plan.spot(0.0, 0.0)
    code = clipped(site.label) + (f" {off}" if site.is_named else "")
    for away in (26.0, 34.0, 44.0, 56.0, 70.0):
        for turn in (0.0, 30.0, -30.0, 60.0, -60.0, 180.0):
            to = _turned(middle, at, turn, away)
            names = (
                Words(Spot(to.x, to.y - 7.0), code, LABEL_SIZE, is_bold=True),
                Words(Spot(to.x, to.y + 7.0), f"h {signed(site.height_mm)}", 10.0),
            )
            box = Box(
                min(n.box.left for n in names),
                names[0].box.top,
                max(n.box.right for n in names),
                names[1].box.bottom,
            )
            if box.left > 4.0 and box.right < WIDTH - 4.0 and not any(box.meets(other) for other in taken):
                taken.append(box)
                if away > 40.0:
                    yield Lines((Segment(at, _turned(middle, at, turn, away - 18.0)),), 0.6, Tone.SOFT)
                yield from names
                return
    yield Words(Spot(at.x, at.y - 14.0), code, LABEL_SIZE, is_bold=True)


def _turned(middle: Spot, at: Spot, turn_deg: float, away: float) -> Spot:
    """The point `away` from `at`, outward from the middle and turned from there."""
    dx, dy = at.x - middle.x, at.y - middle.y
    length = (dx * dx + dy * dy) ** 0.5
    unit = Spot(at.x + dx / length, at.y + dy / length) if length > 1e-6 else Spot(at.x, at.y - 1.0)
    angle = math.degrees(math.atan2(at.y - unit.y, unit.x - at.x))
    return at.at(angle + turn_deg, away)


def signed(value_mm: float) -> str:
    """A height difference with its sign: +0.03, -0.12, 0.00."""
    text = f"{value_mm:+.2f}"
    return "0.00" if text in ("+0.00", "-0.00") else text


def _scales(figure: PositionsFigure, plan: Plan, below: float) -> Iterator[Mark]:
    """The bar of the plan and the bar of the arrows."""
    bar_mm = BAR_MM[figure.enlargement]
    for x, length, words in (
        (16.0, 10.0 * plan.per_mm, "plan: 10 mm"),
        (
            200.0,
            bar_mm * figure.enlargement * plan.per_mm,
            f"arrows, enlarged {figure.enlargement} times: {bar_mm:g} mm",
        ),
    ):
        y = below + 4.0
        yield Lines(
            (
                Segment(Spot(x, y), Spot(x + length, y)),
                Segment(Spot(x, y - 4.0), Spot(x, y + 4.0)),
                Segment(Spot(x + length, y - 4.0), Spot(x + length, y + 4.0)),
            ),
            1.4,
        )
        yield Words(Spot(x, y + 14.0), words, 10.0, Anchor.START)


BAR_MM = {10: 1.0, 20: 0.5, 50: 0.2, 100: 0.1, 200: 0.05, 500: 0.02}
"""By enlargement, the length in mm that the bar of the arrows stands for: ten millimetres of the plan."""


def _table(figure: PositionsFigure, top: float) -> Iterator[Mark]:
    for x, head in zip(COLUMNS, HEADS, strict=True):
        yield Words(Spot(x, top), head, 10.0, _anchor(x), tone=Tone.SOFT)
    yield Lines((Segment(Spot(16.0, top + 0.5 * ROW), Spot(WIDTH - 16.0, top + 0.5 * ROW)),), 0.6, Tone.SOFT)
    for k, site in enumerate(figure.sites):
        y = top + ROW * (k + 1)
        for x, cell in zip(COLUMNS, _row(site, off_word(figure)), strict=True):
            yield Words(Spot(x, y), cell, 11.0, _anchor(x), is_bold=site.is_named)


def _anchor(x: float) -> Anchor:
    return Anchor.START if x == COLUMNS[0] else Anchor.END


def _row(site: SitePosition, off: str) -> tuple[str, ...]:
    label = f"{clipped(site.label)}{f' ({off})' if site.is_named else ''}"
    return (
        label,
        f"{across_mm(site):.2f}",
        signed(site.height_mm),
        f"{site.axis_deg:.2f}",
        f"{site.u95_mm:.2f}, {site.u95_axis_deg:.2f}",
    )


def off_word(figure: PositionsFigure) -> str:
    """What is written beside a named site: that it is off, or that it may be."""
    return "off" if len(figure.fitted_by) < len(figure.sites) else "off?"


def across_mm(site: SitePosition) -> float:
    """How far apart the two are in the plan."""
    return float((site.across_mm[0] ** 2 + site.across_mm[1] ** 2) ** 0.5)


def _sites_in_words(figure: PositionsFigure) -> str:
    return "; ".join(
        f"{s.label}: {across_mm(s):.2f} mm across, {signed(s.height_mm)} mm in height, axis {s.axis_deg:.2f}°"
        for s in figure.sites
    )
