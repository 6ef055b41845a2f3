"""Texts found inside files, cleaned so that they can be looked at: short, few, without control characters."""

from __future__ import annotations

import unicodedata
from collections import Counter
from collections.abc import Iterable

from server.metrology.readers.reading import FileText, ReadingNote

MAX_TEXTS = 64
MAX_TEXT_CHARS = 500


def clean(raw: bytes | str) -> str:
    """The text with control, format and unassigned characters blanked, runs of blanks joined, cut to length.

    Bytes are UTF-8 where they are valid UTF-8, else Latin-1.
    """
    text = _decoded(raw[: 4 * MAX_TEXT_CHARS]) if isinstance(raw, bytes) else raw[: 4 * MAX_TEXT_CHARS]
    visible = "".join(" " if unicodedata.category(c)[0] in "CZ" else c for c in text)
    return " ".join(visible.split())[:MAX_TEXT_CHARS]


def _decoded(raw: bytes) -> str:
    try:
        return raw.decode("utf-8")
    except UnicodeDecodeError as fault:
        if fault.start >= len(raw) - 3 and fault.end == len(raw):
            return raw[: fault.start].decode("utf-8")  # the cut went through a character
        return raw.decode("latin-1")


def file_texts(found: Iterable[tuple[str, bytes | str]]) -> tuple[FileText, ...]:
    """The texts found, cleaned, without blanks and repeats, at most MAX_TEXTS of a kind.

    found: pairs of where (as in FileText) and the raw text.
    """
    kept: dict[FileText, None] = {}
    n_kept: Counter[str] = Counter()
    for where, raw in found:
        text = FileText(where, clean(raw))
        if text.text and text not in kept and n_kept[where] < MAX_TEXTS:
            kept[text] = None
            n_kept[where] += 1
    return tuple(kept)


def more_texts_note(n_found_by_kind: Iterable[int]) -> tuple[ReadingNote, ...]:
    """A note where a file holds more texts of a kind than are looked at."""
    n_left_out = sum(max(0, n - MAX_TEXTS) for n in n_found_by_kind)
    if n_left_out == 0:
        return ()
    says = f"{n_left_out} texts in the file (names, comments) were not looked at: only the first {MAX_TEXTS} are."
    return (ReadingNote("more-texts", says),)
