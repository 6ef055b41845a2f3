"""Resumable uploads: the core of tus 1.0, apart from HTTP.

An upload is created with its length; each request brings a part, which becomes an immutable object that is safe on
disk, and then a row, before its bytes count in the offset; when the last byte is in, the parts become a blob and the
blob a record, in one transaction. A request that is cut off keeps what had arrived.
"""

from __future__ import annotations

import hashlib
import re
from dataclasses import dataclass, field
from datetime import timedelta
from pathlib import Path
from typing import BinaryIO

from sqlmodel import col, select

from server.accounts.work import Actor, Work, reading, writing
from server.cases.changing import expected_entry
from server.cases.lookup import CaseUnknown, find_case, touch
from server.cases.tables import Record
from server.cases.turns import WrongTurn
from server.errors import BadRequest, NotFound, Refused
from server.kit.file_store import StoreBroken, open_new, write_all
from server.kit.ids import new_id
from server.kit.portal import Portal
from server.records.case_form import CaseForm
from server.records.roles import Role, Unit
from server.uploads.names import check_ending, clean_file_name, role_by_name
from server.uploads.quota import check_quota
from server.uploads.tables import Upload, UploadPart, UploadState


class UploadUnknown(NotFound):
    code = "upload-unknown"


class UploadOver(NotFound):
    """Expired or ended; it cannot be resumed."""

    code = "upload-over"
    http_status = 410


class OffsetWrong(Refused):
    """The part does not begin where the upload stands."""

    code = "upload-offset"


class TooLarge(BadRequest):
    code = "too-large"
    http_status = 413


class EmptyFile(BadRequest):
    code = "empty-file"
    http_status = 422


class SaidWrong(BadRequest):
    """What is said of a file cannot be kept."""

    code = "upload-said"


MAX_BODY = 200
_SHA256 = re.compile("[0-9a-fA-F]{64}")


@dataclass(frozen=True)
class NewUpload:
    """What the sender says of a file before its first byte."""

    file_name: str
    length_bytes: int
    role: Role | None = None
    unit: Unit | None = None
    body: str | None = None
    replaces: str | None = None
    sha256: str = ""


def create_upload(work: Work, case_id: str, new: NewUpload) -> Upload:
    """An upload that may begin. What the sender leaves open is taken from the record it replaces, else from the case's
    form, else from the file's name. Raises CaseUnknown, NotYours, WrongTurn, TooLarge, EmptyFile, QuotaReached,
    NameRefused, SaidWrong."""
    case = find_case(work, case_id)
    work.require(work.actor.is_clinic and work.actor.may_write, "Only the clinic adds records.")
    if case.state.is_over:
        raise WrongTurn(f"The case is {case.state.words}; nothing can be added.")
    name = clean_file_name(new.file_name)
    check_ending(name)
    _check_said(new)
    if new.length_bytes < 1:
        raise EmptyFile("The file is empty.")
    if new.length_bytes > work.portal.settings.max_record_bytes:
        raise TooLarge(f"A file may have {work.portal.settings.max_record_bytes} bytes at most.")
    check_quota(work, case.clinic_id, new.length_bytes)
    said = _what_is_said(work, CaseForm.model_validate(case.form), name, new, case.id)
    upload = Upload(
        id=new_id(),
        case_id=case.id,
        clinic_id=case.clinic_id,
        person_id=work.actor.person_id,
        state=UploadState.OPEN,
        file_name=name,
        role=said.role,
        unit=said.unit or Unit.UNKNOWN,
        body=said.body,
        replaces=new.replaces,
        length_bytes=new.length_bytes,
        sha256_expected=new.sha256.casefold(),
        created_at=work.now,
        touched_at=work.now,
    )
    work.session.add(upload)
    return upload


def _check_said(new: NewUpload) -> None:
    """What would break only later, when every byte is in, is refused before the first."""
    if new.sha256 and not _SHA256.fullmatch(new.sha256):
        raise SaidWrong("A SHA-256 is written as 64 hexadecimal digits.")
    if new.body and (len(new.body) > MAX_BODY or not new.body.isprintable()):
        raise SaidWrong(
            f"The name of a reference body has at most {MAX_BODY} characters, all of them printable."
        )


def _what_is_said(work: Work, form: CaseForm, name: str, new: NewUpload, case_id: str) -> NewUpload:
    replaced = work.session.get(Record, new.replaces) if new.replaces else None
    if new.replaces and (replaced is None or replaced.case_id != case_id):
        raise CaseUnknown("There is no such record to replace.")
    expected = expected_entry(form, new.file_name)
    role = new.role or (replaced and replaced.role) or (expected and expected.role) or role_by_name(name)
    unit = new.unit or (replaced and replaced.unit) or (expected and expected.unit)
    body = new.body or (replaced and replaced.body) or (expected and expected.body)
    return NewUpload(
        name, new.length_bytes, role or None, unit or None, body or None, new.replaces, new.sha256
    )


def find_upload(work: Work, upload_id: str, *, for_change: bool = False) -> Upload:
    """The upload, if it is the actor's clinic's. Raises UploadUnknown, UploadOver where it has expired."""
    query = select(Upload).where(Upload.id == upload_id)
    if for_change:
        query = query.with_for_update()
    upload = work.session.exec(query).first()
    if upload is None or not work.actor.is_clinic or upload.clinic_id != work.actor.organisation_id:
        raise UploadUnknown("There is no such upload.")
    if upload.state is UploadState.OPEN and expires_at_s(work.portal, upload) <= work.now.timestamp():
        raise UploadOver("The upload was not continued in time; send the file again.")
    return upload


def expires_at_s(portal: Portal, upload: Upload) -> float:
    """When an unfinished upload is given up, as a timestamp."""
    return (upload.touched_at + timedelta(seconds=portal.settings.upload_lifetime_s)).timestamp()


@dataclass
class IncomingPart:
    """A part while its bytes arrive: written to scratch, hashed on the way, never longer than what is missing."""

    upload_id: str
    offset_bytes: int
    room_bytes: int
    path: Path
    file: BinaryIO
    size_bytes: int = 0
    hash: hashlib._Hash = field(default_factory=hashlib.sha256)

    def write(self, data: bytes) -> None:
        """Raises TooLarge beyond the announced length, StoreBroken where the disk refuses."""
        if self.size_bytes + len(data) > self.room_bytes:
            raise TooLarge("More bytes came than the upload was announced to have.")
        write_all(self.file, data)
        self.hash.update(data)
        self.size_bytes += len(data)


def open_part(portal: Portal, actor: Actor, upload_id: str, offset_bytes: int, path: Path) -> IncomingPart:
    """Room for the next part of an upload, in a scratch file. Raises UploadUnknown, UploadOver, OffsetWrong."""
    with reading(portal, actor) as work:
        upload = find_upload(work, upload_id)
        _check_takes_more(upload, offset_bytes)
        room = upload.length_bytes - upload.offset_bytes
    return IncomingPart(upload_id, offset_bytes, room, path, open_new(path))


def keep_part(portal: Portal, actor: Actor, part: IncomingPart) -> int:
    """The upload's new offset, once the part is safe on disk and its row committed. Of two parts that came at once for
    the same place, one is kept and the other raises OffsetWrong. Raises StoreBroken where it could not be made safe."""
    part.file.close()
    if part.size_bytes == 0:
        return part.offset_bytes
    key = f"parts/{part.upload_id}/{part.offset_bytes:015d}-{new_id()}"
    try:
        portal.store.keep(part.path, key)
    except StoreBroken:
        portal.store.forget([key])  # it may stand there, but is not safe
        raise
    row = UploadPart(
        key=key,
        upload_id=part.upload_id,
        offset_bytes=part.offset_bytes,
        size_bytes=part.size_bytes,
        sha256=part.hash.hexdigest(),
    )
    try:
        with writing(portal, actor) as work:
            upload = find_upload(work, part.upload_id, for_change=True)
            _check_takes_more(upload, part.offset_bytes)
            upload.offset_bytes += part.size_bytes
            upload.touched_at = work.now
            work.session.add(row)
            return upload.offset_bytes
    except BadRequest:
        portal.store.forget([key])
        raise


def _check_takes_more(upload: Upload, offset_bytes: int) -> None:
    if upload.state is UploadState.REFUSED:
        raise UploadOver(upload.refusal or "The upload was refused.")
    if upload.offset_bytes != offset_bytes:
        raise OffsetWrong(f"The upload stands at byte {upload.offset_bytes}, not {offset_bytes}.")


def parts_of(work: Work, upload_id: str) -> list[UploadPart]:
    query = select(UploadPart).where(UploadPart.upload_id == upload_id).order_by(col(UploadPart.offset_bytes))
    return list(work.session.exec(query))


def end_upload(portal: Portal, actor: Actor, upload_id: str) -> None:
    """Gives an unfinished upload up and removes its bytes. Raises UploadUnknown."""
    with writing(portal, actor) as work:
        upload = find_upload(work, upload_id, for_change=True)
        keys = [part.key for part in parts_of(work, upload.id)]
        touch(work, find_case(work, upload.case_id, for_change=True), "upload")
        work.session.delete(upload)
    portal.store.forget(keys)
