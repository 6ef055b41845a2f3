"""Files of which nobody has said what they are: what their shape leaves open comes first, everything else behind it."""

from __future__ import annotations

from dataclasses import dataclass

from server.cases.tables import Record
from server.records.roles import Role
from server.rules.wording import sentence
from server.web.pages.parts import OptionView, TagView
from server.web.pages.words import size_words

GUESSED = "Filled in by us, from the shape of the file. Please check."
_LOOKING = TagView("busy", "Being looked at", "busy")
_ASKING = TagView("look", "What is it?", "look")


@dataclass(frozen=True, slots=True)
class NamelessView:
    """One file without a role. likely: what its shape leaves open, the likeliest first; others: every other role."""

    id: str
    tag: TagView
    file_name: str
    size_words: str
    says: str
    likely: tuple[OptionView, ...]
    others: tuple[OptionView, ...]


def nameless_view(record: Record) -> NamelessView:
    """The question what a file shows, as far as its shape has answered it."""
    likely = tuple(Role(word) for word in record.likely_roles or ())
    return NamelessView(
        id=record.id,
        tag=_LOOKING if record.likely_roles is None else _ASKING,
        file_name=record.file_name,
        size_words=size_words(record.size_bytes),
        says=_says(record, len(likely)),
        likely=tuple(role_option(role) for role in likely),
        others=tuple(role_option(role) for role in Role if role not in likely),
    )


def _says(record: Record, n_likely: int) -> str:
    if record.likely_roles is None:
        return "We are looking at its shape. You need not wait: say it, if you know."
    if n_likely == 0:
        return "Its shape does not say what it is."
    if n_likely == 1:
        return "By its shape it is most probably this:"
    return "By its shape it is probably one of these:"


def role_option(role: Role) -> OptionView:
    """A role to be chosen."""
    return OptionView(role.value, sentence(role.words))
