"""A record as it was sent, for whoever may see it."""

from __future__ import annotations

from collections.abc import Iterator
from urllib.parse import quote

from fastapi.responses import StreamingResponse

from server.cases.tables import Record
from server.kit.portal import Portal
from server.uploads.finishing import blob_key


def attachment(portal: Portal, record: Record) -> StreamingResponse:
    """A record's bytes, always as an attachment and never as anything a browser would show."""
    headers = {
        "Content-Disposition": f"attachment; filename*=UTF-8''{quote(record.file_name)}",
        "Content-Length": str(record.size_bytes),
        "Content-Security-Policy": "sandbox; default-src 'none'",
        "Cache-Control": "no-store",
        "X-SHA-256": record.sha256,
    }
    body = _bytes(portal, record.sha256)
    return StreamingResponse(body, media_type="application/octet-stream", headers=headers)


def _bytes(portal: Portal, sha256: str) -> Iterator[bytes]:
    yield from portal.store.chunks(blob_key(sha256))
