"""Pictures of records as they were caught: drawn from their previews when asked for, the whole and the places of a finding."""

from __future__ import annotations

from collections.abc import Collection

from server.accounts.work import Work
from server.cases.lookup import CaseView, find_record_of
from server.cases.tables import Record
from server.explain.drawing import Drawing
from server.explain.png import png
from server.explain.surface_picture import record_drawing
from server.explain.svg import svg
from server.inspection.places import drawing_on
from server.inspection.previews import NotDrawn, preview_bytes
from server.kit.portal import Portal
from server.metrology.preview.decoding import NotAPreview, scan_of
from server.metrology.scan import Scan
from server.rules.finding import Finding


def shown_record(view: CaseView, finding: Finding, drawn: Collection[str]) -> Record | None:
    """The record in which a finding's first place lies; None where it names none, or the record has no preview. drawn: ids of
    records that have one."""
    if not finding.where:
        return None
    named = (r for r in view.records if r.file_name == finding.where[0].record and r.id in drawn)
    return next(named, None)


def record_png(portal: Portal, work: Work, case_id: str, record_id: str) -> bytes:
    """The whole record. Raises CaseUnknown, NotDrawn."""
    scan = _surface(portal, work, case_id, record_id)
    says = find_record_of(work, case_id, record_id).file_name
    return png(record_drawing(scan.vertices, scan.faces, says))


def place_png(portal: Portal, work: Work, view: CaseView, finding: Finding) -> bytes:
    """The record of a finding's first place with all places in it ringed, and the first close up. Raises NotDrawn."""
    return png(_place_drawing(portal, work, view, finding))


def _place_drawing(portal: Portal, work: Work, view: CaseView, finding: Finding) -> Drawing:
    record = shown_record(view, finding, [r.id for r in view.records])
    if record is None:
        raise NotDrawn("This finding points at no place in a record of this round.")
    return drawing_on(_surface(portal, work, view.case.id, record.id), finding)


def place_svg(portal: Portal, work: Work, view: CaseView, finding: Finding) -> str:
    """The same as SVG; empty where there is none."""
    try:
        return svg(_place_drawing(portal, work, view, finding))
    except NotDrawn:
        return ""


def _surface(portal: Portal, work: Work, case_id: str, record_id: str) -> Scan:
    try:
        return scan_of(preview_bytes(portal, work, case_id, record_id))
    except NotAPreview as broken:
        raise NotDrawn("The preview of this record cannot be read.") from broken
