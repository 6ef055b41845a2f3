"""How moments, sizes and counts are written on every page."""

from __future__ import annotations

from datetime import UTC, datetime
from zoneinfo import ZoneInfo

from server.web.pages.fields import UTC_ZONE
from server.web.pages.parts import TimeView


def time_view(moment: datetime, zone: ZoneInfo | None = None) -> TimeView:
    """A moment in the reader's zone, the zone named."""
    local = moment.astimezone(zone or UTC)
    name = UTC_ZONE if zone is None else (local.tzname() or zone.key)
    return TimeView(moment.astimezone(UTC).isoformat(), f"{local.day} {local:%b %Y, %H:%M} {name}")


def due_words(needed_by: datetime, now: datetime) -> str:
    """How long until then, or since: “in 3 h 20 min”, “2 days late”."""
    minutes = int((needed_by - now).total_seconds() // 60)
    words = span_words(abs(minutes))
    return f"in {words}" if minutes >= 0 else f"{words} late"


def span_words(minutes: int) -> str:
    if minutes < 60:
        return f"{minutes} min"
    if minutes < 24 * 60:
        hours, rest = divmod(minutes, 60)
        return f"{hours} h {rest} min" if rest and hours < 6 else f"{hours} h"
    days = round(minutes / (24 * 60))
    return "1 day" if days == 1 else f"{days} days"


def size_words(size_bytes: int) -> str:
    """A file's size in the decimal units in which it is usually given."""
    for limit, name in ((1e9, "GB"), (1e6, "MB"), (1e3, "kB")):
        if size_bytes >= limit:
            return f"{size_bytes / limit:.1f} {name}"
    return f"{size_bytes} bytes"
