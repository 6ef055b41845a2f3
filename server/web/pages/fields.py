"""Fields as pages show them, and the way back: what was typed, as text, turned into nested values for a form model."""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import UTC, datetime
from typing import Any
from zoneinfo import ZoneInfo, available_timezones

from pydantic_core import ErrorDetails

from server.web.pages.parts import OptionView

UTC_ZONE = "UTC"
_ZONES = frozenset(available_timezones())


@dataclass(frozen=True, slots=True)
class FieldView:
    """One field. `name` is its path in the form (`vertical.seated_mm`); `kind` the sort of input it is typed into;
    `list_id` names the page's list of values that are offered while one types."""

    name: str
    label: str
    value: str = ""
    kind: str = "text"
    hint: str = ""
    wrong: str = ""
    unit: str = ""
    is_optional: bool = False
    is_required: bool = False
    autocomplete: str = "off"
    options: tuple[OptionView, ...] = ()
    list_id: str = ""

    @property
    def id(self) -> str:
        return "f-" + re.sub(r"[^a-z0-9]+", "-", self.name.lower())


def zone_named(name: str | None) -> ZoneInfo:
    """The reader's time zone; UTC where none, or none that exists, is named."""
    return ZoneInfo(name) if name and name in _ZONES else ZoneInfo(UTC_ZONE)


def local_input(moment: datetime | None, zone: ZoneInfo) -> str:
    """A moment as a date-and-time input wants it."""
    return moment.astimezone(zone).strftime("%Y-%m-%dT%H:%M") if moment else ""


def moment_from(text: str, zone: ZoneInfo) -> str:
    """What a date-and-time input gave, as ISO 8601 in UTC; text that is no time is passed on for the model to refuse."""
    try:
        moment = datetime.fromisoformat(text)
    except ValueError:
        return text
    return (moment.replace(tzinfo=zone) if moment.tzinfo is None else moment).astimezone(UTC).isoformat()


def number_from(text: str) -> str:
    """A number as it may be typed, a decimal comma among them, as a model reads it."""
    bare = text.strip().replace("\u202f", "").replace("\u00a0", "")
    return bare.replace(",", ".") if bare.count(",") == 1 and "." not in bare else bare


def numbers_from(text: str) -> list[str]:
    """Several numbers, apart by spaces, semicolons, or a comma that is not a decimal one."""
    pieces = re.split(r"[;\s]+|,(?=\s)", text.strip())
    split = [part for piece in pieces for part in (piece.split(",") if "." in piece else [piece])]
    return [number_from(piece) for piece in split if piece]


def nested(values: Mapping[str, Any]) -> dict[str, Any]:
    """`{"a.b": 1, "s.0.t": 2}` as `{"a": {"b": 1}, "s": {"0": {"t": 2}}}`."""
    root: dict[str, Any] = {}
    for path, value in values.items():
        *way, last = path.split(".")
        here = root
        for step in way:
            here = here.setdefault(step, {})
        here[last] = value
    return root


def problem_words(error: ErrorDetails) -> str:
    """What is wrong with one field, for the person who typed it."""
    kind, context = error["type"], error.get("ctx", {})
    if kind.startswith(("float", "int")):
        return "Write a number, such as 62.3."
    if kind.startswith(("datetime", "timezone", "date")):
        return "Write a date and a time."
    for bound, words in (("gt", "above"), ("ge", "at least"), ("lt", "below"), ("le", "at most")):
        if bound in context:
            return f"This must be {words} {context[bound]:g}."
    if kind == "string_too_long":
        return f"At most {context['max_length']} characters."
    if kind == "too_long":
        return f"At most {context['max_length']} of them."
    if kind == "string_too_short":
        return "This cannot be empty."
    if kind in ("enum", "literal_error"):
        return "Choose one of those offered."
    return str(error["msg"])
