"""Numbers as people read them: to the place their uncertainty reaches, with unit, beside the limit they were held against."""

from __future__ import annotations

import math

from server.rules.finding import LimitApplied
from server.rules.limit import unit_tail


def figure(value: float, u95: float | None = None) -> str:
    """A number as people write it: to the place its uncertainty reaches, else to three significant digits."""
    if u95:
        places = max(0, 1 - math.floor(math.log10(u95)))
        return f"{value:z.{min(places, 4)}f}"
    if value == 0 or value == int(value):
        return f"{value:,.0f}".replace(",", " ")
    places = max(0, 2 - math.floor(math.log10(abs(value))))
    return (
        f"{value:.{min(places, 4)}f}".rstrip("0").rstrip(".") if places else f"{value:,.0f}".replace(",", " ")
    )


def measured(value: float, u95: float | None, unit: str) -> str:
    """Value, uncertainty and unit in words: “0.21 ± 0.02 mm”."""
    doubt = f" ± {figure(u95, u95)}" if u95 else ""
    return f"{figure(value, u95)}{doubt}{unit_tail(unit)}"


def limit_words(limit: LimitApplied, unit: str) -> str:
    """“looked at above 0.10 mm, returned above 0.15 mm”; one number where the two coincide."""
    side = "below" if limit.sense == "lower" else "above"
    tail = unit_tail(unit)
    look = figure(limit.look)
    if math.isinf(limit.return_):
        return f"looked at {side} {look}{tail}"
    back = figure(limit.return_)
    if limit.look == limit.return_:
        return f"returned {side} {back}{tail}"
    return f"looked at {side} {look}{tail}, returned {side} {back}{tail}"


def doubt_words(value: float, u95: float, limit: LimitApplied, unit: str) -> str:
    """Why a value near a limit is not decided: which of the limit's numbers its uncertainty straddles."""
    tail = unit_tail(unit)
    straddled = [b for b in (limit.look, limit.return_) if abs(value - b) <= u95]
    sides = " and of ".join(dict.fromkeys(f"{figure(b)}{tail}" for b in straddled))
    return f"It is known to ± {figure(u95, u95)}{tail}, so it may lie on either side of {sides}."
