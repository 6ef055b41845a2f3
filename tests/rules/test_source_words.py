"""Where a limit comes from is said once."""

from __future__ import annotations

import pytest

from server.rules.limit import Standing
from server.rules.wording import source_words


@pytest.mark.parametrize(
    "source", ["Common practice; the numbers are our own.", "Our own proposal, against X."]
)
def test_a_source_that_says_it_is_practice_is_not_told_so_again(source: str) -> None:
    assert source_words(source, Standing.PRACTICE.value) == source


def test_any_other_standing_is_said() -> None:
    for standing in (Standing.LITERATURE, Standing.MEMORY):
        assert source_words("Our own proposal, above Y.", standing.value).endswith(f"({standing.value})")
    assert source_words("A standard.", Standing.PRACTICE.value).endswith(f"({Standing.PRACTICE.value})")
