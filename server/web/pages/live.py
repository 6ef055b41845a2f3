"""Live pages: a stream of fragments, one whenever something changed that the page shows."""

from __future__ import annotations

import asyncio
import re
from collections.abc import AsyncIterator, Callable

from anyio import to_thread
from fastapi.responses import StreamingResponse

from server.errors import NotFound
from server.web.hearing import ear_of
from server.web.pages.visit import Visit

STILL_THERE_S = 15.0
_PART = re.compile(r"<hx-partial .*?</hx-partial>", re.DOTALL)


def live(visit: Visit, topic: str, fragment: Callable[[Visit], str]) -> StreamingResponse:
    """A stream of fragments: one at once, then after each change those parts of it that are no longer the same. It ends when
    the person is no longer signed in."""
    return StreamingResponse(
        _fragments(visit, topic, fragment),
        media_type="text/event-stream",
        headers={"Cache-Control": "no-store", "X-Accel-Buffering": "no"},
    )


async def _fragments(visit: Visit, topic: str, fragment: Callable[[Visit], str]) -> AsyncIterator[str]:
    sent: frozenset[str] = frozenset()
    with ear_of(visit.portal).listening(topic) as heard:
        while True:
            heard.clear()
            html = await to_thread.run_sync(_made, visit, fragment)
            if html is None:
                return
            parts = parts_of(html)
            if news := [part for part in parts if part not in sent]:
                yield _message("\n".join(news))
            sent = frozenset(parts)
            while not heard.is_set():
                try:
                    await asyncio.wait_for(heard.wait(), STILL_THERE_S)
                except TimeoutError:
                    if await to_thread.run_sync(visit.renew) is None:
                        return
                    yield ": still there\n\n"


def _made(visit: Visit, fragment: Callable[[Visit], str]) -> str | None:
    now = visit.renew()
    try:
        return fragment(now) if now is not None else None
    except NotFound:
        return None


def parts_of(html: str) -> list[str]:
    """The parts of a fragment, each of which replaces one part of the page; a fragment without such parts is one itself."""
    return _PART.findall(html) or [html]


def _message(html: str) -> str:
    lines = html.splitlines() or [""]
    return "".join(f"data: {line}\n" for line in lines) + "\n"
