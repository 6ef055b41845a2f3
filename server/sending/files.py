"""Sending one file in parts (tus 1.0): after a lost line it goes on from what is safe at the portal."""

from __future__ import annotations

import base64
from collections.abc import Callable, Mapping
from pathlib import Path

from server.errors import BadRequest
from server.sending.portal import LineLost, PortalClient, PortalRefused

UPLOADS = "/api/v1/uploads"
PART_BYTES = 4 * 1024 * 1024
TUS = {"Tus-Resumable": "1.0.0"}
GONE = frozenset({404, 410})
OUT_OF_STEP = 409


class FileChanged(BadRequest):
    """The file was written to while it was being sent."""

    code = "file-changed"


Progress = Callable[[int], None]
"""Told how many bytes of the file are safe at the portal."""


def announce(portal: PortalClient, path: Path, said: Mapping[str, str]) -> str:
    """Where the bytes of a file go. said: filename and case, and what else is known of it. Raises PortalRefused, PortalAway."""
    pairs = ",".join(
        f"{name} {base64.b64encode(value.encode()).decode()}" for name, value in said.items() if value
    )
    headers = {**TUS, "Upload-Length": str(path.stat().st_size), "Upload-Metadata": pairs}
    return str(portal.ask("POST", UPLOADS, headers=headers).headers["location"])


def is_under_way(portal: PortalClient, url: str) -> bool:
    """Whether that upload can go on. Raises PortalRefused, PortalAway."""
    try:
        offset, length = _stand(portal, url)
    except PortalRefused as refusal:
        if refusal.status in GONE:
            return False
        raise
    return offset < length


def send_bytes(portal: PortalClient, url: str, path: Path, progress: Progress) -> None:
    """Sends what the portal does not have yet of a file, part by part.

    Raises PortalRefused, PortalAway, and FileChanged where the file grew or shrank meanwhile.
    """
    offset, length = _stand(portal, url)
    with path.open("rb") as file:
        while offset < length:
            progress(offset)
            file.seek(offset)
            part = file.read(min(PART_BYTES, length - offset))
            if not part or path.stat().st_size != length:
                raise FileChanged(
                    f"{path.name} changed while it was sent; run the command again when it is whole."
                )
            offset = _send_part(portal, url, part, offset)
    progress(length)


def _send_part(portal: PortalClient, url: str, part: bytes, offset: int) -> int:
    """How far the portal is after a part; what it says itself, where the line broke or it was farther than we knew."""
    headers = {**TUS, "Content-Type": "application/offset+octet-stream", "Upload-Offset": str(offset)}
    try:
        return int(portal.once("PATCH", url, content=part, headers=headers).headers["upload-offset"])
    except LineLost:
        return _stand(portal, url)[0]
    except PortalRefused as refusal:
        stands, _ = _stand(portal, url)
        if refusal.status == OUT_OF_STEP and stands != offset:
            return stands
        raise


def _stand(portal: PortalClient, url: str) -> tuple[int, int]:
    """Bytes safe at the portal, and bytes in all."""
    headers = portal.ask("HEAD", url, headers=TUS).headers
    return int(headers["upload-offset"]), int(headers["upload-length"])
