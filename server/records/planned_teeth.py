"""The teeth that the bridge will carry, as a clinic writes them: “36-46”, “36, 35, 34” or both mixed."""

from __future__ import annotations

import re

from server.records.teeth import ALL_TEETH, Numbering, Tooth, UnknownTooth, tooth_of

_DASHES = re.compile(r"\s*(?:[-–—]|\bto\b)\s*")


def planned_codes(text: str) -> tuple[str, ...]:
    """The codes that are written there, in order, each once; the ends of a range count as codes."""
    codes = (code for part in _parts(text) for code in _DASHES.split(part))
    return tuple(dict.fromkeys(code for code in codes if code))


def planned_teeth(text: str, numbering: Numbering) -> tuple[Tooth, ...]:
    """The teeth meant, each once, from the patient's right to left within each jaw, uppers first.

    A range runs along one jaw. Raises UnknownTooth where a code names no tooth or a range leaves the jaw.
    """
    teeth = {tooth for part in _parts(text) for tooth in _teeth_of(part, numbering)}
    return tuple(sorted(teeth, key=lambda tooth: (tooth.arch.value != "upper", tooth.place)))


def _parts(text: str) -> list[str]:
    joined = _DASHES.sub("-", text)
    return [part for part in re.split(r"[,;/\s]+", joined) if part]


def _teeth_of(part: str, numbering: Numbering) -> tuple[Tooth, ...]:
    ends = [tooth_of(code, numbering) for code in part.split("-")]
    if len(ends) == 1:
        return (ends[0],)
    if len(ends) > 2:
        raise UnknownTooth(f"“{part}” is not a range of two teeth.")
    first, last = sorted(ends, key=lambda tooth: tooth.place)
    if first.arch is not last.arch:
        raise UnknownTooth(f"“{part}” runs from one jaw into the other.")
    return tuple(t for t in ALL_TEETH if t.arch is first.arch and first.place <= t.place <= last.place)
