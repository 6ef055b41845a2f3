"""A whole file in one request: an upload that is begun, filled and finished at once.

Sending the same file again changes nothing, so that a program may repeat a request whose answer was lost.
"""

from __future__ import annotations

from contextlib import suppress
from dataclasses import dataclass, replace
from pathlib import Path

from server.accounts.work import Actor, Work, reading, writing
from server.cases.changing import change_record
from server.cases.lookup import CaseUnknown, find_case, records_of
from server.cases.tables import Case, Record
from server.errors import BadRequest, NotFound
from server.kit.portal import Portal
from server.uploads.bundles import is_bundle
from server.uploads.finishing import finish_upload
from server.uploads.names import clean_file_name
from server.uploads.resumable import (
    IncomingPart,
    NewUpload,
    create_upload,
    end_upload,
    find_upload,
    keep_part,
    open_part,
)


class SingleOnly(BadRequest):
    """An archive becomes several records; which of those should this request answer for?"""

    code = "single-only"
    http_status = 422


class UploadCut(BadRequest):
    """Fewer bytes came than were announced."""

    code = "upload-cut"


@dataclass(frozen=True)
class SentFile:
    """The record that a file became; `is_new` is False where it was there already, byte for byte."""

    record_id: str
    is_new: bool


def begin_file(portal: Portal, actor: Actor, case_id: str, new: NewUpload, path: Path) -> IncomingPart:
    """Room for the file's bytes. Where a record of the round at hand has its name, the file will take its place.

    Raises what `create_upload` raises, and SingleOnly.
    """
    if is_bundle(new.file_name):
        raise SingleOnly("An archive holds several files.")
    with writing(portal, actor) as work:
        case = find_case(work, case_id)
        namesake = _named(work, case, clean_file_name(new.file_name))
        replaces = new.replaces or (namesake.id if namesake else None)
        upload = create_upload(work, case_id, replace(new, replaces=replaces))
    return open_part(portal, actor, upload.id, 0, path)


def finish_file(portal: Portal, actor: Actor, case_id: str, new: NewUpload, part: IncomingPart) -> SentFile:
    """The record of a file whose bytes are in. Raises UploadCut and what `finish_upload` raises."""
    sha256 = part.hash.hexdigest()
    if part.size_bytes != part.room_bytes:
        raise UploadCut(f"Of {part.room_bytes} bytes {part.size_bytes} came.")
    same = _same_already(portal, actor, part.upload_id, sha256)
    if same is not None:
        give_up_file(portal, actor, part)
        with writing(portal, actor) as work:
            kept = change_record(work, same.id, role=new.role, unit=new.unit, body=new.body)
            return SentFile(kept.id, is_new=False)
    keep_part(portal, actor, part)
    finish_upload(portal, part.upload_id)
    with reading(portal, actor) as work:
        case = find_case(work, case_id)
        made = [r for r in records_of(work, case.id, case.round_number) if r.sha256 == sha256]
    if not made:
        raise CaseUnknown("The record was taken out again at once.")
    return SentFile(made[-1].id, is_new=True)


def give_up_file(portal: Portal, actor: Actor, part: IncomingPart) -> None:
    """Leaves nothing of a file that could not be taken, or need not be."""
    part.file.close()
    with suppress(NotFound):
        end_upload(portal, actor, part.upload_id)


def _named(work: Work, case: Case, name: str) -> Record | None:
    present = records_of(work, case.id, case.round_number)
    return next((r for r in present if r.file_name.casefold() == name.casefold()), None)


def _same_already(portal: Portal, actor: Actor, upload_id: str, sha256: str) -> Record | None:
    """The record whose place the file would take, if it has the very same bytes."""
    with reading(portal, actor) as work:
        upload = find_upload(work, upload_id)
        case = find_case(work, upload.case_id)
        if upload.replaces is None or upload.sha256_expected not in ("", sha256):
            return None
        present = records_of(work, case.id, case.round_number)
        return next((r for r in present if (r.id, r.sha256) == (upload.replaces, sha256)), None)
