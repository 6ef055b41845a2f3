"""What goes down a live stream: after a change only the parts of the page that changed."""

from __future__ import annotations

import asyncio
from concurrent.futures import ThreadPoolExecutor
from types import SimpleNamespace
from typing import Any

import pytest

from server.web.pages import live
from server.web.pages.live import parts_of


def part(target: str, words: str) -> str:
    return f'<hx-partial hx-target="#{target}" hx-swap="outerMorph"><p>{words}</p>\n</hx-partial>'


def test_a_fragment_falls_into_its_parts() -> None:
    one, other = part("a", "1"), part("b", "2")
    assert parts_of(f"{one}\n{other}\n") == [one, other]
    assert parts_of("<p>whole</p>") == ["<p>whole</p>"]


class _Ear:
    """Hears a change each time it is asked whether there was one."""

    def listening(self, _topic: str) -> _Ear:
        return self

    def __enter__(self) -> Any:
        return SimpleNamespace(clear=lambda: None, is_set=lambda: True)

    def __exit__(self, *_: object) -> None:
        return None


def test_only_what_changed_is_sent_again(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(live, "ear_of", lambda _portal: _Ear())
    drawn = iter(
        [part("a", "1") + part("b", "2"), part("a", "1") + part("b", "2"), part("a", "1") + part("b", "3")]
    )
    visit: Any = SimpleNamespace(portal=None)
    visit.renew = lambda: visit

    async def all_of_it() -> list[str]:
        stream = live._fragments(visit, "case", lambda _visit: next(drawn))
        return [await anext(stream), await anext(stream)]

    with ThreadPoolExecutor(1) as another:  # a browser test may have left a loop running in this thread
        first, second = another.submit(asyncio.run, all_of_it()).result()
    assert "#a" in first
    assert "#b" in first
    assert "#a" not in second
    assert "<p>3</p>" in second
