from __future__ import annotations

import json
from collections.abc import Callable
from pathlib import Path

import pytest

from server.inspection.folder import FolderUnusable
from server.sending.watching import watch
from tests.rules.good_set import GOOD_FORM


def case_in(folder: Path, name: str, *files: str) -> Path:
    made = folder / name
    made.mkdir()
    records = [{"role": "jaw", "file": file, "unit": "mm"} for file in files]
    (made / "case.json").write_text(json.dumps({**GOOD_FORM, "records": records}))
    return made


def looked(
    folder: Path, then: dict[int, Callable[[], object]], looks: int = 30
) -> tuple[list[tuple[int, str]], list[str]]:
    """Watches for a number of looks; `then`: what happens before a look. When which case was sent, and what was said."""
    sent: list[tuple[int, str]] = []
    said: list[str] = []
    number = 0

    def goes_on() -> bool:
        nonlocal number
        number += 1
        then.get(number, lambda: None)()
        return number <= looks

    watch(
        folder,
        lambda case: sent.append((number, case.name)),
        said.append,
        sleep=lambda _s: None,
        goes_on=goes_on,
    )
    return sent, said


def test_a_case_is_sent_once_when_its_files_have_come_to_rest(tmp_path: Path) -> None:
    case = case_in(tmp_path, "one", "jaw.stl")
    grow = {k: lambda k=k: (case / "jaw.stl").write_bytes(bytes(100 * k)) for k in range(3, 9)}
    sent, said = looked(tmp_path, grow)
    assert [name for _, name in sent] == ["one"]
    assert sent[0][0] >= 8 + 4
    assert said == ["one waits: case.json names files that are not in the folder: jaw.stl."]


def test_a_mended_file_is_sent_again(tmp_path: Path) -> None:
    case = case_in(tmp_path, "one", "jaw.stl")
    (case / "jaw.stl").write_bytes(b"first")
    sent, _ = looked(tmp_path, {12: lambda: (case / "jaw.stl").write_bytes(b"second time")})
    assert [name for _, name in sent] == ["one", "one"]


def test_a_case_that_comes_later_and_the_folder_itself_are_seen(tmp_path: Path) -> None:
    (tmp_path / "case.json").write_text(json.dumps({**GOOD_FORM, "records": []}))
    sent, _ = looked(tmp_path, {10: lambda: case_in(tmp_path, "later")})
    assert {name for _, name in sent} == {tmp_path.name, "later"}


def test_a_form_that_cannot_be_read_is_said_once(tmp_path: Path) -> None:
    case = case_in(tmp_path, "one")
    (case / "case.json").write_text("{")
    sent, said = looked(tmp_path, {})
    assert sent == []
    assert len(said) == 1


def test_a_folder_that_is_not_there_is_refused(tmp_path: Path) -> None:
    with pytest.raises(FolderUnusable):
        watch(tmp_path / "none", lambda _case: None, lambda _words: None, goes_on=lambda: False)
