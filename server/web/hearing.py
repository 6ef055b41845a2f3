"""Hearing of changes: one poll of the change rows per process serves everybody there who wants to know.

The rows are written by any process, so that a page hears of what a worker on another host did.
"""

from __future__ import annotations

import asyncio
import contextlib
from collections.abc import Generator
from dataclasses import dataclass, field

from anyio import to_thread

from server.kit.changes import changes_since, last_change
from server.kit.portal import Portal

POLL_S = 0.4


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
        for listener in self._listeners:
            listener.heard.set()  # what changed before this first look was not heard
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


def ear_of(portal: Portal) -> ChangeEar:
    """The process's one ear."""
    return _ears.setdefault(id(portal), ChangeEar(portal))
