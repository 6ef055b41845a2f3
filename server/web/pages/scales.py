"""The small scale on which a value stands against its limit with its uncertainty: numbers placed, ready to draw."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass

from server.rules.finding import LimitApplied
from server.rules.numbers import figure, limit_words, measured
from server.rules.wording import sentence

WIDTH = 340.0
_LEFT, _RIGHT = 6.0, 334.0
_OFF_SCALE_TIMES = 4.0


@dataclass(frozen=True, slots=True)
class Zone:
    """`kind`: within, look or beyond; `marks`: where its pattern is drawn."""

    kind: str
    x: float
    width: float
    marks: tuple[float, ...]


@dataclass(frozen=True, slots=True)
class Bound:
    x: float
    label: str
    anchor: str


@dataclass(frozen=True, slots=True)
class Doubt:
    from_x: float
    to_x: float


@dataclass(frozen=True, slots=True)
class ScaleView:
    zones: tuple[Zone, ...]
    bounds: tuple[Bound, ...]
    doubt: Doubt | None
    value_x: float
    anchor: str
    value_words: str
    limit_words: str
    is_off_scale: bool


def scale_of(value: float, u95: float | None, unit: str, limit: LimitApplied) -> ScaleView:
    """The figure of one judged value. A value far beyond its limit is drawn at the end, with an arrow."""
    doubt = u95 or 0.0
    finite = [b for b in (limit.look, limit.return_) if math.isfinite(b)]
    is_lower = limit.sense == "lower"
    low, high, is_off = _span(value, doubt, finite, is_lower=is_lower)
    at = _placed(low, high)
    edges = sorted({at(b) for b in finite})
    zones = _zones(edges, has_return=math.isfinite(limit.return_), is_lower=is_lower)
    value_x = _RIGHT if is_off else at(value)
    return ScaleView(
        zones=zones,
        bounds=_bounds(limit, at),
        doubt=Doubt(at(value - doubt), at(value + doubt)) if doubt and not is_off else None,
        value_x=value_x,
        anchor=_anchor(value_x),
        value_words=measured(value, u95, unit),
        limit_words=f"{sentence(limit_words(limit, unit))}.",
        is_off_scale=is_off,
    )


def _span(value: float, doubt: float, bounds: list[float], *, is_lower: bool) -> tuple[float, float, bool]:
    top = max(bounds)
    reach = max(abs(b) for b in bounds) or 1.0
    is_off = not is_lower and value - doubt > max(top, 0) + _OFF_SCALE_TIMES * reach
    shown = [*bounds] if is_off else [*bounds, value - doubt, value + doubt]
    low, high = min(shown), max(shown)
    if low >= 0 and low < high:
        low = 0.0 if low < 0.8 * high else low
    spread = (high - low) or reach
    return (low if low == 0.0 else low - 0.15 * spread), high + (0.35 if is_off else 0.18) * spread, is_off


def _placed(low: float, high: float) -> Callable[[float], float]:
    def at(number: float) -> float:
        share = (number - low) / (high - low)
        return round(_LEFT + (_RIGHT - _LEFT) * min(1.0, max(0.0, share)), 1)

    return at


def _zones(edges: list[float], *, has_return: bool, is_lower: bool) -> tuple[Zone, ...]:
    kinds = (
        ["within", "look", "beyond"] if len(edges) == 2 else ["within", "beyond" if has_return else "look"]
    )
    if is_lower:
        kinds.reverse()
    stops = [_LEFT, *edges, _RIGHT]
    return tuple(
        Zone(kind, start, round(end - start, 1), _marks(kind, start, end))
        for kind, start, end in zip(kinds, stops, stops[1:], strict=False)
    )


def _marks(kind: str, start: float, end: float) -> tuple[float, ...]:
    if kind == "within":
        return ()
    step, margin = (9.0, 7.0) if kind == "beyond" else (8.0, 3.0)
    count = int(max(0.0, end - start - margin) // step) + 1 if end - start > margin else 0
    first = start + (1.0 if kind == "beyond" else 4.0)
    return tuple(round(first + i * step, 1) for i in range(count) if first + i * step + margin <= end + 2.0)


def _bounds(limit: LimitApplied, at: Callable[[float], float]) -> tuple[Bound, ...]:
    look, back = limit.look, limit.return_
    if look == back or math.isinf(back):
        x = at(look)
        return (Bound(x, f"{'return' if look == back else 'look'} {figure(look)}", _anchor(x)),)
    left, right = sorted(((at(look), f"look {figure(look)}"), (at(back), f"return {figure(back)}")))
    is_tight = right[0] - left[0] < 84
    return (
        Bound(left[0], left[1], "end" if is_tight and left[0] > 60 else _anchor(left[0])),
        Bound(right[0], right[1], "start" if is_tight and right[0] < 280 else _anchor(right[0])),
    )


def _anchor(x: float) -> str:
    if x < 50:
        return "start"
    return "end" if x > 290 else "middle"
