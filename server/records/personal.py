"""Finds what looks like personal data in file names, in texts inside scan files, in codes and in free text.

Source: the classes of identifiers of 45 CFR 164.514(b)(2) that fit into a short text: names, dates of
birth, telephone numbers, mail addresses, social security, record and chart numbers; and, as exporters write
file paths into comments, the folder of a user's account. Where they hide (file names, headers, comments) is
common practice.

Not seen: a name in small letters, a single name without a label, initials, a name in a script without
capital letters; dates of treatment, which every export carries. The search is for the careless case, not
for the hidden one.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import dataclass
from enum import StrEnum
from itertools import pairwise

from server.records.scan_words import SCAN_WORDS


class PersonalKind(StrEnum):
    NAME = "name"
    BIRTH_DATE = "birth-date"
    MAIL = "mail"
    PHONE = "phone"
    NUMBER = "number"
    ACCOUNT = "account"

    @property
    def words(self) -> str:
        return _WORDS[self]


_WORDS = {
    PersonalKind.NAME: "a person's name",
    PersonalKind.BIRTH_DATE: "a date of birth",
    PersonalKind.MAIL: "a mail address",
    PersonalKind.PHONE: "a telephone number",
    PersonalKind.NUMBER: "a record or insurance number",
    PersonalKind.ACCOUNT: "the name of a user's folder",
}


class TextPlace(StrEnum):
    """Where a text stands; it decides how much of it must speak for a name. TITLE: a header or the name of a
    solid, object or material, where exporters write whose scan it is."""

    FILE_NAME = "file-name"
    TITLE = "title"
    CODE = "code"
    FREE_TEXT = "free-text"


@dataclass(frozen=True, slots=True)
class PersonalSpan:
    """text[start:end] looks like personal data of that kind."""

    kind: PersonalKind
    start: int
    end: int


LONGEST_TEXT = 20_000
"""Characters of one text that are searched; scans carry headers of 80 bytes and comments of a line."""

_YEAR = r"(?:19\d\d|200\d|201[0-5])"
"""Years in which a grown patient may be born; later dates are dates of an export."""

_MONTH, _DAY = r"(?:0?[1-9]|1[0-2])", r"(?:0?[1-9]|[12]\d|3[01])"
_MM, _DD = r"(?:0[1-9]|1[0-2])", r"(?:0[1-9]|[12]\d|3[01])"
_DATE = (
    rf"(?<!\d)(?:{_YEAR}([-./ ]){_MONTH}\1{_DAY}|{_DAY}([-./ ]){_MONTH}\2{_YEAR}"
    rf"|{_MONTH}([-./ ]){_DAY}\3{_YEAR}|{_YEAR}{_MM}{_DD}|{_DD}{_MM}{_YEAR})(?!\d)"
)
_EPOCHS = re.compile(r"1970\D?01\D?01|1980\D?01\D?01|01\D?01\D?(?:1970|1980)|2000\D?01\D?01|01\D?01\D?2000")
_BIRTH_LABEL = (
    r"\b(?:dob|d\.o\.b\.?|date of birth|birth ?(?:day|date)?|born(?: on)?|geb(?:oren)?\.?)[\s:=-]{0,3}"
)
_ID_LABEL = (
    r"\b(?:mrn|ssn|chart|patient ?(?:id|no|number)|pat ?id|pid|record ?(?:no|number)|insurance(?: ?no)?)"
    r"[\s.:=#-]{0,3}"
)
_PERSON_LABEL = re.compile(
    r"\b(?:patient(?:['’]s)?(?: ?name)?|pat|pt|surname|(?:first|last|full|given|family) ?name|name|nachname|"
    r"vorname|designer|author|operator|dentist|prescriber|clinician|mrs?|ms|herr|frau)\b\.?",
    re.I,
)
_WORD = r"[^\W\d_]+(?:['’-][^\W\d_]+)*"
_AFTER_LABEL = re.compile(rf"[\s:=,^-]{{0,4}}({_WORD})(?:[\s,^]{{1,2}}({_WORD}))?")
_MAIL = re.compile(r"[\w.+-]{1,64}@[\w-]{1,63}(?:\.[\w-]{1,63}){1,4}")
_PATTERNS: tuple[tuple[PersonalKind, re.Pattern[str]], ...] = (
    (
        PersonalKind.ACCOUNT,
        re.compile(r"[\\/](?:users|home|documents and settings)[\\/]+[^\\/\s]{2,64}", re.I),
    ),
    (PersonalKind.BIRTH_DATE, re.compile(_BIRTH_LABEL + r"\d[\d./ -]{3,9}", re.I)),
    (PersonalKind.BIRTH_DATE, re.compile(_DATE)),
    (
        PersonalKind.PHONE,
        re.compile(r"(?<![\w+])\+(?!\d+\.\d+(?![\d.]))\d{1,3}(?:[ ./()-]{0,2}\d{2,4}){3,5}(?!\d)"),
    ),
    (
        PersonalKind.PHONE,
        re.compile(r"(?<![\w.,-])(?:\(\d{3}\) ?|\d{3}([-.]))\d{3}(?(1)\1|-)\d{4}(?![\w.-])"),
    ),
    (
        PersonalKind.PHONE,
        re.compile(r"\b(?:tel(?:ephone)?|phone|mobile|cell|fax)[\s.:=-]{0,3}\+?\d[\d ()/.-]{5,18}\d", re.I),
    ),
    (PersonalKind.NUMBER, re.compile(r"(?<![\d-])\d{3}-\d{2}-\d{4}(?![\d-])")),
    (PersonalKind.NUMBER, re.compile(_ID_LABEL + r"[a-z]{0,3}-?\d[\d-]{3,}", re.I)),
)
_RUN_OF_DIGITS = re.compile(r"(?<![\w.])\d+(?!\w|\.\d)")
_TIMESTAMP = re.compile(r"(?:19|20)\d\d(?:0[1-9]|1[0-2])\d*|[12]\d{9}")
_MADE_BY = re.compile(
    r"\b(?:created|exported|generated|written|produced|made|saved) "
    r"|\b(?:software|version|copyright|https?|www)\b|©",
    re.I,
)


def personal_spans(text: str, place: TextPlace) -> tuple[PersonalSpan, ...]:
    """What of a text looks like personal data, from left to right."""
    text = text[:LONGEST_TEXT]
    spaced = text.replace("_", " ")
    found = [*_mails(text), *_by_pattern(spaced), *_labelled_names(spaced)]
    if place is not TextPlace.FREE_TEXT:
        found += [*_long_numbers(spaced, place), *_bare_names(spaced)]
    if place is TextPlace.CODE:
        found += _lone_names(spaced)
    return tuple(sorted(set(found), key=lambda span: (span.start, span.end)))


def personal_kinds(text: str, place: TextPlace) -> tuple[PersonalKind, ...]:
    """The kinds of personal data found in a text, each once, in the order of PersonalKind; never the data."""
    found = {span.kind for span in personal_spans(text, place)}
    return tuple(kind for kind in PersonalKind if kind in found)


def kinds_words(kinds: tuple[PersonalKind, ...]) -> str:
    """“a person's name or a date of birth”."""
    words = [kind.words for kind in kinds]
    return " and ".join([", ".join(words[:-1]), words[-1]] if len(words) > 1 else words)


def without_personal(text: str, place: TextPlace, put: str = "…") -> str:
    """The text with everything found replaced, for pages, logs and packages."""
    kept, at = [], 0
    for span in personal_spans(text, place):
        if span.end > at:
            kept += [text[at : max(at, span.start)], put]
            at = span.end
    return "".join(kept) + text[at:]


def _mails(text: str) -> Iterator[PersonalSpan]:
    for match in _MAIL.finditer(text):
        yield PersonalSpan(PersonalKind.MAIL, match.start(), match.end())


def _by_pattern(text: str) -> Iterator[PersonalSpan]:
    for kind, pattern in _PATTERNS:
        for match in pattern.finditer(text):
            if kind is not PersonalKind.BIRTH_DATE or not _EPOCHS.search(match.group()):
                yield PersonalSpan(kind, match.start(), match.end())


def _long_numbers(text: str, place: TextPlace) -> Iterator[PersonalSpan]:
    """Bare runs of digits as long as a chart number that are no time stamp; a code may be such a number."""
    if place is TextPlace.CODE:
        return
    least = 7 if place is TextPlace.FILE_NAME else 9
    for match in _RUN_OF_DIGITS.finditer(text):
        if least <= len(match.group()) <= 12 and not _TIMESTAMP.fullmatch(match.group()):
            yield PersonalSpan(PersonalKind.NUMBER, match.start(), match.end())


def _labelled_names(text: str) -> Iterator[PersonalSpan]:
    for label in _PERSON_LABEL.finditer(text):
        after = _AFTER_LABEL.match(text, label.end())
        if after and _is_name(after.group(1)):
            has_second = bool(after.group(2)) and _is_name(after.group(2))
            yield PersonalSpan(PersonalKind.NAME, after.start(1), after.end(2 if has_second else 1))


def _bare_names(text: str) -> Iterator[PersonalSpan]:
    """Two words in a row with the shape of a name: “Last_First”, “Last, First”, “LAST^FIRST”. Where a text
    says which program made the file, they are the program's name unless comma or caret stands between."""
    between = r"[,^]\s?" if _MADE_BY.search(text) else r"[\s,^.-]{1,3}"
    words = list(re.finditer(_WORD, text))
    for first, second in pairwise(words):
        if re.fullmatch(between, text[first.end() : second.start()]) and _is_name_in(text, first, second):
            yield PersonalSpan(PersonalKind.NAME, first.start(), second.end())


def _lone_names(text: str) -> Iterator[PersonalSpan]:
    for word in re.finditer(_WORD, text):
        if _is_name_in(text, word) and not word.group().isupper():
            yield PersonalSpan(PersonalKind.NAME, word.start(), word.end())


def _is_name_in(text: str, *words: re.Match[str]) -> bool:
    beside = (text[word.start() - 1 : word.start()] + text[word.end() : word.end() + 1] for word in words)
    return all(_is_name(word.group()) for word in words) and not any(c.isdigit() for c in "".join(beside))


def _is_name(word: str) -> bool:
    """Capital first, the rest small or, from three letters on, all capital; a vowel; no scan word."""
    parts = re.split(r"['’-]", word)
    if len(word) < 2 or any(part.casefold() in SCAN_WORDS for part in (word, *parts)):
        return False
    is_title = all(part[:1].isupper() and (part[1:].islower() or len(part) == 1) for part in parts)
    is_shouted = word.isupper() and len(word) > 2
    return (is_title or is_shouted) and (not word.isascii() or any(c in "aeiouy" for c in word.casefold()))
