"""Small words that several rules need to make a sentence."""

from __future__ import annotations

from collections.abc import Sequence

from server.records.case_form import Site
from server.rules.limit import Standing


def listed(items: Sequence[str], last: str = "and") -> str:
    """“a”, “a and b”, “a, b and c”."""
    if len(items) < 2:
        return "".join(items)
    return f"{', '.join(items[:-1])} {last} {items[-1]}"


def count_words(count: int, one: str, many: str = "") -> str:
    """“1 record”, “3 records”."""
    return f"{count} {one}" if count == 1 else f"{count} {many or one + 's'}"


def sentence(text: str) -> str:
    """The text with a capital at the front."""
    return text[:1].upper() + text[1:]


def clause(text: str) -> str:
    """A sentence as it goes on after a colon: without its capital, unless that belongs to a name or code."""
    return text[:1].lower() + text[1:] if text[1:2].islower() or text[1:2] == " " else text


def source_words(source: str, standing: str) -> str:
    """Where a limit's numbers come from and how they stand; once, where the source itself says that they are practice."""
    says_so = any(words in source.lower() for words in ("common practice", "our own proposal"))
    return source if says_so and standing == Standing.PRACTICE.value else f"{source} ({standing})"


def site_words(index: int, site: Site) -> str:
    """How a site is called: by its tooth code, else by its place in the form's list."""
    return f"site {site.tooth}" if site.tooth else f"site number {index + 1} of the list"
