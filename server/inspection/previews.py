"""Previews of records: made by a measuring child once a record is measured, kept in the file store under its content.

A preview holds a thinned surface and nothing else of the file: no name, no header, no comment, no colour.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping

from sqlmodel import col, select

from server.accounts.work import PORTAL, Work, reading, writing
from server.cases.jobs import DRAW_RECORD
from server.cases.lookup import entry_of, find_record_of, touch
from server.cases.tables import Case, CaseState, Measuring, Record
from server.errors import NotFound
from server.inspection.child import ChildLost
from server.inspection.drawn import DRAWN_ROLES, drawn
from server.inspection.measuring import RecordFile
from server.kit.jobs import Doing, Job
from server.kit.logs import log
from server.kit.portal import Portal
from server.metrology.preview.thinning import REVISION
from server.records.case_form import RecordEntry
from server.records.roles import MESH_ROLES
from server.uploads.finishing import open_blob, preview_folder


class NotDrawn(NotFound):
    """There is no preview of this record: it is not made yet, or the record shows no surface."""

    code = "not-drawn"


def preview_key(sha256: str, unit: str) -> str:
    """Where the preview of that content in that unit lies in the store."""
    return f"{preview_folder(sha256)}/{unit}-{REVISION}"


def doings(portal: Portal, run: Callable[..., bytes]) -> Mapping[Job, Doing]:
    """What a job of drawing does. `run`: as for measuring."""
    return {DRAW_RECORD: Doing(lambda record_id: draw_one(portal, run, record_id), _go_without)}


def _go_without(record_id: str) -> None:
    """Nothing waits for a preview: a page says that there is none."""
    log().warning("no preview", record_id=record_id)


def draw_one(portal: Portal, run: Callable[..., bytes], record_id: str) -> None:
    """Makes and keeps the preview of a record; does nothing where there is one, or the record is gone."""
    with reading(portal, PORTAL) as work:
        record = work.session.get(Record, record_id)
        if record is None or record.role not in DRAWN_ROLES:
            return
        entry, sha256 = entry_of(record), record.sha256
    key = preview_key(sha256, entry.unit.value)
    if portal.store.size_bytes(key) is None and not _keep(portal, run, key, entry, sha256):
        return
    with writing(portal, PORTAL) as work:
        record = work.session.get(Record, record_id)
        if record is not None:
            touch(work, work.session.get_one(Case, record.case_id), "drawn")


def _keep(portal: Portal, run: Callable[..., bytes], key: str, entry: RecordEntry, sha256: str) -> bool:
    with open_blob(portal, sha256) as path:
        try:
            data = run(drawn, RecordFile(entry, str(path)))
        except ChildLost as lost:
            log().warning("no preview", reason=lost.code)
            return False
    if not data:
        return False
    with portal.store.scratch() as file:
        file.write_bytes(data)
        portal.store.keep(file, key)
    return True


def preview_sizes(portal: Portal, records: list[Record]) -> dict[str, int]:
    """By record id, the bytes of its preview; without those that have none."""
    sizes = {
        r.id: portal.store.size_bytes(preview_key(r.sha256, r.unit.value))
        for r in records
        if r.role in DRAWN_ROLES
    }
    return {record_id: size for record_id, size in sizes.items() if size is not None}


def preview_bytes(portal: Portal, work: Work, case_id: str, record_id: str) -> bytes:
    """The preview of a record of a case, gzipped. Raises CaseUnknown, RecordUnknown, NotDrawn."""
    record = find_record_of(work, case_id, record_id)
    try:
        return portal.store.read(preview_key(record.sha256, record.unit.value))
    except FileNotFoundError as absent:
        raise NotDrawn("There is no preview of this record.") from absent


def ask_for_previews(portal: Portal) -> int:
    """Asks for the previews that measured records of open cases lack, as after the method has changed; how many."""
    is_open = col(Case.state).not_in([state for state in CaseState if state.is_over])
    with reading(portal, PORTAL) as work:
        query = select(Record).join(Case).where(is_open, Record.measuring == Measuring.MEASURED)
        records = list(work.session.exec(query))
        there = preview_sizes(portal, records)
    lacking = [r.id for r in records if r.role in MESH_ROLES and r.id not in there]
    for record_id in lacking:
        with writing(portal, PORTAL) as work:
            portal.jobs.enqueue(work.session, DRAW_RECORD, record_id)
    return len(lacking)
