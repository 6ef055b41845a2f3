from __future__ import annotations

from server.rules.catalogue.file.unreadable import RULE
from tests.rules.refusing import answers_for_its_own_causes_alone


def test_it_answers_for_its_own_causes_alone() -> None:
    answers_for_its_own_causes_alone(RULE)
