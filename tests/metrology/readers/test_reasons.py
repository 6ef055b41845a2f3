"""The list of reasons, walked."""

from __future__ import annotations

import re
from pathlib import Path

import numpy as np
import pytest

import server.metrology.readers
from server.metrology.readers.polygons import triangulated
from server.metrology.readers.reading import Unreadable
from server.metrology.readers.reasons import Reason
from server.metrology.readers.weld import MAX_FACETS

RULES = {"file/unreadable", "file/truncated", "file/no-triangles", "file/non-finite", "file/too-heavy"}


@pytest.mark.parametrize("reason", list(Reason))
def test_every_reason_has_a_code_a_rule_words_and_a_remedy(reason: Reason) -> None:
    assert re.fullmatch(r"[a-z0-9]+(-[a-z0-9]+)*", reason.value)
    assert reason.rule in RULES
    assert reason.words.endswith(".")
    assert reason.remedy.endswith(".")
    refused = reason.refusal()
    assert isinstance(refused, Unreadable)
    assert (refused.code, refused.reason, refused.rule) == (reason.value, reason.value, reason.rule)
    assert refused.says == reason.words
    assert reason.refusal("12 of 13.").says == "12 of 13."


def test_no_two_reasons_share_a_code_or_words() -> None:
    assert len({reason.value for reason in Reason}) == len(Reason)
    assert len({reason.words for reason in Reason}) == len(Reason)


def _text_of(folder: Path) -> str:
    return "\n".join(path.read_text() for path in folder.rglob("*.py") if path.name != "reasons.py")


def test_every_reason_is_given_somewhere_and_tested_by_its_code() -> None:
    sources = _text_of(Path(server.metrology.readers.__file__).parent)
    tests = _text_of(Path(__file__).parent)
    assert [reason.name for reason in Reason if f"Reason.{reason.name}" not in sources] == []
    assert [reason.value for reason in Reason if f'"{reason.value}"' not in tests] == []


def test_a_polygon_of_more_facets_than_can_be_measured_is_too_many() -> None:
    """The count alone refuses it: no file of that size is needed."""
    with pytest.raises(Unreadable) as refused:
        triangulated(np.array([MAX_FACETS + 3], np.int32), np.zeros(0, np.int32))
    assert refused.value.reason == "too-many-facets"
