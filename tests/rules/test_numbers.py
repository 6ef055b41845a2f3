from __future__ import annotations

import pytest

from server.rules.numbers import figure, measured


@pytest.mark.parametrize(
    ("value", "u95", "words"),
    [(0.2134, 0.02, "0.213"), (-0.0004, 0.02, "0.000"), (-0.21, 0.2, "-0.21"), (1234.0, None, "1 234")],
)
def test_a_number_to_the_place_its_uncertainty_reaches_and_no_zero_below_nothing(
    value: float, u95: float | None, words: str
) -> None:
    assert figure(value, u95) == words


def test_value_doubt_and_unit_in_words() -> None:
    assert measured(0.21, 0.02, "mm") == "0.210 ± 0.020 mm"
