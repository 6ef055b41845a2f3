"""Watching a folder into which scans are exported: each case in it is sent when its files have come to rest."""

from __future__ import annotations

import time
from collections.abc import Callable, Iterator
from pathlib import Path

from server.errors import BadRequest, words_of
from server.inspection.folder import FolderUnusable, form_and_files

EVERY_S = 1.0
AT_REST_S = 4.0
"""Files that have not changed for so long are taken as whole; an export writes on and on until it is done."""

State = tuple[tuple[str, int, int], ...]


def watch(
    folder: Path,
    send: Callable[[Path], None],
    say: Callable[[str], None],
    *,
    sleep: Callable[[float], None] = time.sleep,
    goes_on: Callable[[], bool] = lambda: True,
) -> None:
    """Calls `send` for every case in the folder, and again after each change of its files. A case is a folder with a
    case.json: this one, or one in it. Raises FolderUnusable where there is no such folder."""
    if not folder.is_dir():
        raise FolderUnusable(f"{folder} is not a folder.")
    watched: dict[Path, _Watched] = {}
    while goes_on():
        for case in _cases_in(folder):
            watched.setdefault(case, _Watched(case)).look(send, say)
        sleep(EVERY_S)


class _Watched:
    """One case: how its files stood when last looked at, for how long since, and what was last sent or said of it."""

    def __init__(self, folder: Path) -> None:
        self._folder = folder
        self._state: State = ()
        self._quiet_s = 0.0
        self._done: State | None = None
        self._said = ""

    def look(self, send: Callable[[Path], None], say: Callable[[str], None]) -> None:
        try:
            state = _state_of(self._folder)
        except (BadRequest, OSError) as fault:
            self._tell(say, words_of(fault))
            return
        if state != self._state:
            self._state, self._quiet_s = state, 0.0
            return
        self._quiet_s += EVERY_S
        if self._quiet_s < AT_REST_S or state == self._done:
            return
        self._done, self._said = state, ""
        send(self._folder)

    def _tell(self, say: Callable[[str], None], words: str) -> None:
        """Says why a case waits, once."""
        if words != self._said:
            say(f"{self._folder.name} waits: {words}")
            self._said = words


def _cases_in(folder: Path) -> Iterator[Path]:
    if (folder / "case.json").is_file():
        yield folder
    yield from sorted(path.parent for path in folder.glob("*/case.json"))


def _state_of(folder: Path) -> State:
    """Name, size and time of every file of the case. Raises FolderUnusable, FormUnusable where it is not whole yet."""
    _, records = form_and_files(folder)
    files = [folder / "case.json", *(Path(record.path) for record in records)]
    return tuple((file.name, (told := file.stat()).st_size, told.st_mtime_ns) for file in files)
