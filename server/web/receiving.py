"""Taking a file's bytes as they come in."""

from __future__ import annotations

from fastapi import Request
from starlette.concurrency import run_in_threadpool
from starlette.requests import ClientDisconnect

from server.uploads.resumable import IncomingPart

BLOCK_BYTES = 1024 * 1024
"""Bytes are gathered to this much before a thread writes and hashes them: the network hands them over in crumbs."""


async def receive(request: Request, part: IncomingPart) -> None:
    """Writes what comes, till the end or till the line is lost. Raises TooLarge with nothing of the part kept."""
    block = bytearray()
    try:
        try:
            async for chunk in request.stream():
                block += chunk
                if len(block) >= BLOCK_BYTES:
                    await run_in_threadpool(part.write, bytes(block))
                    block.clear()
        except ClientDisconnect:
            pass  # what came before is kept
        if block:
            await run_in_threadpool(part.write, bytes(block))
    except BaseException:
        part.file.close()
        raise
