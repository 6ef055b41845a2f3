"""Live pages: a stream of fragments, one whenever something changed that the page shows.

One poll of the change rows per process serves every open page of that process; the rows themselves are written by any
process, so that a page hears of what a worker on another host did.
"""

from __future__ import annotations

import asyncio
import contextlib
from collections.abc import AsyncIterator, Callable, Generator
from dataclasses import dataclass, field

from anyio import to_thread
from fastapi.responses import StreamingResponse

from server.errors import NotFound
from server.kit.changes import changes_since, last_change
from server.kit.portal import Portal
from server.web.pages.visit import Visit

POLL_S = 0.4
STILL_THERE_S = 15.0


@dataclass(eq=False)
class _Listener:
    topic: str
    heard: asyncio.Event = field(default_factory=asyncio.Event)


class ChangeEar:
    """Listens for changes while anybody wants to know."""

    def __init__(self, portal: Portal) -> None:
        self._portal = portal
        self._listeners: set[_Listener] = set()
        self._task: asyncio.Task[None] | None = None

    @contextlib.contextmanager
    def listening(self, topic: str) -> Generator[asyncio.Event]:
        """An event that is set whenever the topic changed."""
        listener = _Listener(topic)
        self._listeners.add(listener)
        if self._task is None or self._task.done():
            self._task = asyncio.create_task(self._listen())
        try:
            yield listener.heard
        finally:
            self._listeners.discard(listener)

    async def _listen(self) -> None:
        seen: set[int] = set()
        last = await to_thread.run_sync(self._last)
        while self._listeners:
            for number, topic in await to_thread.run_sync(self._since, last):
                if number in seen:
                    continue
                seen.add(number)
                last = max(last, number)
                for listener in self._listeners:
                    if listener.topic == topic:
                        listener.heard.set()
            seen = {number for number in seen if number > last - 1000}
            await asyncio.sleep(POLL_S)

    def _last(self) -> int:
        with self._portal.database.reading() as session:
            return last_change(session)

    def _since(self, last: int) -> list[tuple[int, str]]:
        with self._portal.database.reading() as session:
            return [(change.id or 0, change.topic) for change in changes_since(session, last)]


_ears: dict[int, ChangeEar] = {}


def _ear(portal: Portal) -> ChangeEar:
    return _ears.setdefault(id(portal), ChangeEar(portal))


def live(visit: Visit, topic: str, fragment: Callable[[Visit], str]) -> StreamingResponse:
    """A stream of fragments: one at once, then one after each change. It ends when the person is no longer signed in."""
    return StreamingResponse(
        _fragments(visit, topic, fragment),
        media_type="text/event-stream",
        headers={"Cache-Control": "no-store", "X-Accel-Buffering": "no"},
    )


async def _fragments(visit: Visit, topic: str, fragment: Callable[[Visit], str]) -> AsyncIterator[str]:
    with _ear(visit.portal).listening(topic) as heard:
        while True:
            heard.clear()
            html = await to_thread.run_sync(_made, visit, fragment)
            if html is None:
                return
            yield _message(html)
            while not heard.is_set():
                try:
                    await asyncio.wait_for(heard.wait(), STILL_THERE_S)
                except TimeoutError:
                    yield ": still there\n\n"


def _made(visit: Visit, fragment: Callable[[Visit], str]) -> str | None:
    now = visit.renew()
    try:
        return fragment(now) if now is not None else None
    except NotFound:
        return None


def _message(html: str) -> str:
    lines = html.splitlines() or [""]
    return "".join(f"data: {line}\n" for line in lines) + "\n"
