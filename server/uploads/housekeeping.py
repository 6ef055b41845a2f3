"""What is cleared away: expired uploads with their parts, blobs without a record, files that a crash left behind."""

from __future__ import annotations

from datetime import timedelta

from sqlmodel import col, select

from server.accounts.work import PORTAL, reading, writing
from server.cases.bodies import is_held_by_a_body
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
    """Removes those of these blobs that no record and no reference body holds any more; how many. Row and bytes go in one transaction that
    has the row locked: whoever brings the same bytes at that moment waits, and then keeps them anew."""
    gone = 0
    for sha256 in sha256s:
        with writing(portal, PORTAL) as work:
            blob = work.session.get(Blob, sha256, with_for_update=True)
            held = work.session.exec(select(Record.id).where(Record.sha256 == sha256).limit(1)).first()
            if held is None and blob is not None and not is_held_by_a_body(work, sha256):
                work.session.delete(blob)
                work.session.flush()
                portal.store.forget([blob_key(sha256)])
                gone += 1
    return gone


def sweep(portal: Portal) -> int:
    """Removes scratch files, and parts, blobs and previews that no row knows and that have been there for a while; how
    many."""
    swept = portal.store.sweep_scratch(GRACE.total_seconds(), portal.clock.now().timestamp())
    since = portal.clock.now() - GRACE
    swept += sum(_sweep_part(portal, key) for key in portal.store.keys_older_than("parts", since))
    swept += sum(_sweep_blob(portal, key) for key in portal.store.keys_older_than("blobs", since))
    return swept + sum(_sweep_preview(portal, key) for key in portal.store.keys_older_than("previews", since))


def _sweep_part(portal: Portal, key: str) -> bool:
    with reading(portal, PORTAL) as work:
        if work.session.get(UploadPart, key) is not None:
            return False
    portal.store.forget([key])
    return True


def _sweep_preview(portal: Portal, key: str) -> bool:
    """Takes a preview whose blob has gone. Where the same bytes come again it is made again."""
    with reading(portal, PORTAL) as work:
        if work.session.get(Blob, key.split("/")[2]) is not None:
            return False
    portal.store.forget([key])
    return True


def _sweep_blob(portal: Portal, key: str) -> bool:
    """Holds the place of the missing row while the bytes go, so that whoever brings the same bytes at that moment waits
    for the end of it and then finds that they are to be kept anew."""
    sha256 = key.rpartition("/")[2]
    with reading(portal, PORTAL) as work:
        if work.session.get(Blob, sha256) is not None:
            return False
    with writing(portal, PORTAL) as work:
        if work.session.get(Blob, sha256) is not None:
            return False
        place = Blob(sha256=sha256, size_bytes=0, kept_at=work.now)
        work.session.add(place)
        work.session.flush()
        portal.store.forget([key])
        work.session.delete(place)
    return True
