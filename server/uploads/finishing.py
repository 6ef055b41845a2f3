"""From parts to a record: the bytes become a blob named by their SHA-256, and the blob a record of the case.

May be done twice, by two hosts, or half and then again after a crash: the blob is the same, the upload's state lets only
one transaction add the record.
"""

from __future__ import annotations

import hashlib
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path

from sqlmodel import col, select

from server.accounts.people import actor_of
from server.accounts.work import PORTAL, Actor, Work, reading, writing
from server.cases.changing import ArrivedFile, add_record
from server.cases.lookup import touch
from server.cases.tables import Case
from server.errors import ArchproofError, BadFile, BadRequest
from server.kit.file_store import StoreBroken, open_new, write_all
from server.kit.logs import log
from server.kit.portal import Portal
from server.uploads.bundles import ArrivedMember, is_bundle, unpack_bundle
from server.uploads.resumable import parts_of
from server.uploads.tables import Blob, Upload, UploadPart, UploadState


class ChecksumWrong(BadRequest):
    """The bytes that arrived are not those the sender announced."""

    code = "checksum"
    http_status = 460


@dataclass(frozen=True)
class _Whole:
    path: Path
    sha256: str
    size_bytes: int


def blob_key(sha256: str) -> str:
    """Where a blob lies in the store."""
    return f"blobs/{sha256[:2]}/{sha256[2:4]}/{sha256}"


def preview_folder(sha256: str) -> str:
    """Under which the previews of a blob lie, which go when it has gone."""
    return f"previews/{sha256[:2]}/{sha256}"


def finish_upload(portal: Portal, upload_id: str) -> None:
    """Makes a record of an upload whose last byte is safe; does nothing where that is not so, or done already.

    Raises ChecksumWrong, BadFile (an archive that cannot be unpacked), BadRequest; the upload is then refused for good.
    """
    with reading(portal, PORTAL) as work:
        upload = work.session.get(Upload, upload_id)
        if (
            upload is None
            or upload.state is not UploadState.OPEN
            or upload.offset_bytes != upload.length_bytes
        ):
            return
        parts = parts_of(work, upload_id)
        actor = actor_of(work, upload.person_id) if upload.person_id else None
    try:
        _finish(portal, actor or PORTAL, upload, parts)
    except (BadFile, BadRequest) as refusal:
        _refuse(portal, upload_id, refusal)
        raise
    except (StoreBroken, FileNotFoundError):
        if _is_open(portal, upload_id):
            raise
        return  # somebody else has finished it meanwhile and removed its parts
    portal.store.forget([part.key for part in parts])


def _is_open(portal: Portal, upload_id: str) -> bool:
    with reading(portal, PORTAL) as work:
        upload = work.session.get(Upload, upload_id)
        return upload is not None and upload.state is UploadState.OPEN


def _finish(portal: Portal, actor: Actor, upload: Upload, parts: list[UploadPart]) -> None:
    with portal.store.scratch() as path:
        whole = _put_together(portal, parts, path)
        if upload.sha256_expected and upload.sha256_expected != whole.sha256:
            raise ChecksumWrong("The file was damaged on its way; send it again.")
        if is_bundle(upload.file_name):
            with unpack_bundle(portal.store, whole.path) as members:
                _keep_all(portal, members)
                _file_records(portal, actor, upload, members)
            return
        member = ArrivedMember(
            upload.file_name, whole.path, whole.sha256, whole.size_bytes, upload.role, upload.unit
        )
        _keep_all(portal, [member])
        _file_records(portal, actor, upload, [member])


def _put_together(portal: Portal, parts: list[UploadPart], path: Path) -> _Whole:
    """The whole file. A single part is taken as it lies: its hash was made while it came in."""
    if len(parts) == 1 and portal.store.root is not None:
        return _Whole(portal.store.root / parts[0].key, parts[0].sha256, parts[0].size_bytes)
    sha256, size = hashlib.sha256(), 0
    with open_new(path) as file:
        for part in parts:
            for chunk in portal.store.chunks(part.key):
                write_all(file, chunk)
                sha256.update(chunk)
                size += len(chunk)
    return _Whole(path, sha256.hexdigest(), size)


def _keep_all(portal: Portal, members: list[ArrivedMember]) -> None:
    for member in members:
        keep_blob(portal, member.path, member.sha256)


def keep_blob(portal: Portal, path: Path, sha256: str) -> None:
    """Makes a file's bytes durable under their hash. A damaged namesake, left by a disk that lied, is replaced."""
    key = blob_key(sha256)
    if portal.store.keep(path, key):
        return
    if portal.store.size_bytes(key) != path.stat().st_size or _hash_of(portal, key) != sha256:
        portal.store.forget([key])
        portal.store.keep(path, key)


def _hash_of(portal: Portal, key: str) -> str:
    sha256 = hashlib.sha256()
    for chunk in portal.store.chunks(key):
        sha256.update(chunk)
    return sha256.hexdigest()


def _file_records(portal: Portal, actor: Actor, upload: Upload, members: list[ArrivedMember]) -> None:
    with writing(portal, actor) as work:
        query = select(Upload).where(Upload.id == upload.id).with_for_update()
        row = work.session.exec(query).first()
        if row is None or row.state is not UploadState.OPEN:
            return
        for member in members:
            note_blob(work, member.sha256, member.size_bytes)
            if portal.store.size_bytes(blob_key(member.sha256)) is None:  # swept before its row stood
                keep_blob(portal, member.path, member.sha256)
            add_record(work, upload.case_id, _arrived(upload, member, is_alone=len(members) == 1))
        row.state = UploadState.FINISHED
        row.touched_at = work.now
        for part in parts_of(work, upload.id):
            work.session.delete(part)


def _arrived(upload: Upload, member: ArrivedMember, *, is_alone: bool) -> ArrivedFile:
    return ArrivedFile(
        file_name=member.file_name,
        sha256=member.sha256,
        size_bytes=member.size_bytes,
        role=member.role,
        unit=member.unit,
        body=upload.body if is_alone else None,
        replaces=upload.replaces if is_alone else None,
    )


def note_blob(work: Work, sha256: str, size_bytes: int) -> None:
    """Adds the row of a blob that is safe in the store; one that is there stays. The row is locked till the
    transaction ends, so that nobody removes the bytes meanwhile."""
    if work.session.get(Blob, sha256, with_for_update=True) is None:
        work.session.add(Blob(sha256=sha256, size_bytes=size_bytes, kept_at=work.now))
        work.session.flush()


def _refuse(portal: Portal, upload_id: str, refusal: ArchproofError) -> None:
    with writing(portal, PORTAL) as work:
        upload = work.session.get(Upload, upload_id)
        if upload is None or upload.state is not UploadState.OPEN:
            return
        upload.state, upload.refusal, upload.touched_at = UploadState.REFUSED, refusal.says[:400], work.now
        keys = [part.key for part in parts_of(work, upload_id)]
        case = work.session.get(Case, upload.case_id)
        if case is not None:
            touch(work, case, "upload")
    portal.store.forget(keys)


def finish_what_a_crash_left(portal: Portal) -> int:
    """Finishes uploads whose last byte is safe but whose host died before making a record; how many. One that cannot
    be finished now, for want of room, is left for the next time and holds up no other."""
    with reading(portal, PORTAL) as work:
        query = select(Upload.id).where(
            col(Upload.state) == UploadState.OPEN, col(Upload.offset_bytes) == col(Upload.length_bytes)
        )
        left = list(work.session.exec(query))
    finished = 0
    for upload_id in left:
        try:
            finish_upload(portal, upload_id)
            finished += 1
        except (BadFile, BadRequest):
            continue
        except (ArchproofError, OSError) as fault:
            log().error("upload not finished", upload_id=upload_id, exc_info=fault)
    return finished


@contextmanager
def open_blob(portal: Portal, sha256: str) -> Iterator[Path]:
    """A path at which a blob can be read. Raises FileNotFoundError."""
    with portal.store.local_path(blob_key(sha256)) as path:
        yield path
