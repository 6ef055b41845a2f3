"""Taking a file's bytes as they come in."""

from __future__ import annotations

from fastapi import Request
from starlette.concurrency import run_in_threadpool
from starlette.requests import ClientDisconnect

from server.uploads.resumable import IncomingPart


async def receive(request: Request, part: IncomingPart) -> None:
    """Writes what comes, till the end or till the line is lost. Raises TooLarge with nothing of the part kept."""
    try:
        async for chunk in request.stream():
            if chunk:
                await run_in_threadpool(part.write, chunk)
    except ClientDisconnect:
        return
    except BaseException:
        part.file.close()
        raise
