"""What is cleared away: expired uploads with their parts, blobs without a record, files that a crash left behind."""

from __future__ import annotations

from datetime import timedelta

from sqlmodel import col, select

from server.accounts.work import PORTAL, reading, writing
from server.cases.tables import Record
from server.kit.portal import Portal
from server.uploads.finishing import blob_key
from server.uploads.resumable import parts_of
from server.uploads.tables import Blob, Upload, UploadPart, UploadState

GRACE = timedelta(hours=1)
"""A file in the store without a row is left alone for so long: its transaction may be about to commit."""

KEPT_AFTER_END = timedelta(days=7)


def forget_expired_uploads(portal: Portal) -> int:
    """Ends uploads that nobody continued, and the rows of those that were finished long ago; how many."""
    now = portal.clock.now()
    lifetime = timedelta(seconds=portal.settings.upload_lifetime_s)
    with writing(portal, PORTAL) as work:
        is_expired = (col(Upload.state) == UploadState.OPEN) & (col(Upload.touched_at) < now - lifetime)
        is_old = (col(Upload.state) != UploadState.OPEN) & (col(Upload.touched_at) < now - KEPT_AFTER_END)
        over = list(work.session.exec(select(Upload).where(is_expired | is_old)))
        keys = [part.key for upload in over for part in parts_of(work, upload.id)]
        for upload in over:
            work.session.delete(upload)
    portal.store.forget(keys)
    return len(over)


def forget_unheld_blobs(portal: Portal, sha256s: list[str]) -> int:
    """Removes those of these blobs that no record holds any more, rows first, then bytes; how many."""
    gone = []
    with writing(portal, PORTAL) as work:
        for sha256 in sha256s:
            held = work.session.exec(select(Record.id).where(Record.sha256 == sha256).limit(1)).first()
            blob = work.session.get(Blob, sha256)
            if held is None and blob is not None:
                work.session.delete(blob)
                gone.append(blob_key(sha256))
    portal.store.forget(gone)
    return len(gone)


def sweep(portal: Portal) -> int:
    """Removes scratch files, parts and blobs that no row knows and that have been there for a while; how many."""
    swept = portal.store.sweep_scratch(GRACE.total_seconds(), portal.clock.now().timestamp())
    for prefix in ("parts", "blobs"):
        old = portal.store.keys_older_than(prefix, portal.clock.now() - GRACE)
        unknown = [key for key in old if not _is_known(portal, key)]
        portal.store.forget(unknown)
        swept += len(unknown)
    return swept


def _is_known(portal: Portal, key: str) -> bool:
    with reading(portal, PORTAL) as work:
        if key.startswith("parts/"):
            return work.session.get(UploadPart, key) is not None
        return work.session.get(Blob, key.rpartition("/")[2]) is not None
