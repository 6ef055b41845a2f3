"""Where a picture of a record is fetched, and what it shows in words."""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import dataclass

from server.cases.lookup import CaseView
from server.cases.tables import Record
from server.explain.surface_picture import CLOSE, GAP, SHEET
from server.inspection.shots import shown_record
from server.rules.finding import Finding
from server.rules.wording import count_words, sentence


@dataclass(frozen=True, slots=True)
class ShotView:
    """A picture in its place: address, size in pixels of the page, what it shows, and a line under it."""

    href: str
    width: int
    height: int
    alt: str
    caption: str = ""


def record_shot(record: Record, drawn: Collection[str]) -> ShotView | None:
    """The record as a small picture; None where it has no preview."""
    if record.id not in drawn or record.role is None:
        return None
    href = f"/cases/{record.case_id}/records/{record.id}/picture.png?of={record.sha256[:12]}"
    return ShotView(href, *SHEET, f"{sentence(record.role.words)} as it was caught")


def place_shot(view: CaseView, finding: Finding, anchor: str, drawn: Collection[str]) -> ShotView | None:
    """Where a finding points, on the whole record and close up; None where it points nowhere that can be drawn."""
    record = shown_record(view, finding, drawn)
    if record is None or record.role is None:
        return None
    n = sum(place.record == record.file_name for place in finding.where)
    ringed = (
        "The ring marks the place."
        if n == 1
        else f"Rings mark {count_words(n, 'place')}; the first close up."
    )
    return ShotView(
        f"/cases/{record.case_id}/places/{anchor}.png?of={record.sha256[:12]}",
        SHEET[0] + GAP + CLOSE[0],
        SHEET[1],
        f"{sentence(record.role.words)}: the whole with the place ringed, and the place close up",
        f"{sentence(record.role.words)}, whole and close up. {ringed}",
    )
