"""A record as it was sent, and the package of a release, for whoever may see it."""

from __future__ import annotations

from collections.abc import Iterator
from urllib.parse import quote

from fastapi.responses import Response, StreamingResponse

from server.cases.tables import Record
from server.handoff.packing import package_key
from server.handoff.tables import Release
from server.kit.portal import Portal
from server.uploads.finishing import blob_key


def attachment(portal: Portal, record: Record) -> StreamingResponse:
    """A record's bytes, always as an attachment and never as anything a browser would show."""
    key = blob_key(record.sha256)
    headers = _headers(record.file_name, record.size_bytes, record.sha256)
    return StreamingResponse(_bytes(portal, key), media_type="application/octet-stream", headers=headers)


def package(portal: Portal, release: Release, patient_code: str) -> StreamingResponse:
    """The archive of a release that has one, likewise."""
    name = f"{patient_code or 'case'}-round-{release.round_number}.zip"
    headers = _headers(name, release.package_bytes or 0, release.package_sha256 or "")
    return StreamingResponse(
        _bytes(portal, package_key(release.id)), media_type="application/zip", headers=headers
    )


def paper(pdf: bytes) -> Response:
    """A report on paper, to be read where the browser can."""
    headers = {"Content-Disposition": 'inline; filename="report.pdf"', "Cache-Control": "no-store"}
    return Response(pdf, media_type="application/pdf", headers=headers)


def _headers(name: str, size_bytes: int, sha256: str) -> dict[str, str]:
    return {
        "Content-Disposition": f"attachment; filename*=UTF-8''{quote(name, safe='')}",
        "Content-Length": str(size_bytes),
        "Content-Security-Policy": "sandbox; default-src 'none'",
        "Cache-Control": "no-store",
        "X-SHA-256": sha256,
    }


def _bytes(portal: Portal, key: str) -> Iterator[bytes]:
    yield from portal.store.chunks(key)
