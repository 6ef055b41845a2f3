"""Texts found inside files, cleaned so that they can be looked at: short, few, without control characters."""

from __future__ import annotations

import unicodedata
from collections.abc import Iterable

from server.metrology.readers.reading import FileText

MAX_TEXTS = 64
MAX_TEXT_CHARS = 500


def clean(raw: bytes | str) -> str:
    """The text with every control, format and unassigned character blanked, runs of blanks joined, cut to length.

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
    """The first texts found, cleaned, without blanks and repeats. Each is (where, text) as FileText has them."""
    kept: dict[FileText, None] = {}
    for where, raw in found:
        text = clean(raw)
        if text:
            kept.setdefault(FileText(where, text))
        if len(kept) == MAX_TEXTS:
            break
    return tuple(kept)
