from __future__ import annotations

import pytest

from server.records.numbering import codes_of, only_fit_the_other
from tests.rules.good_set import form


def test_codes_of_sites_and_planned_teeth_are_listed_once() -> None:
    assert codes_of(form()) == ("36", "33", "43", "46")
    assert codes_of(form(planned_teeth="37-46")) == ("36", "33", "43", "46", "37")


@pytest.mark.parametrize(
    ("numbering", "arch", "codes", "expected"),
    [
        ("fdi", "lower", "19 22 27 30", True),
        ("fdi", "lower", "21 22 27 28", True),
        ("universal", "lower", "36 33 43 46", True),
        ("fdi", "lower", "36 33 43 46", False),
        ("fdi", "upper", "11 13 16", False),
        ("fdi", "lower", "36 33 43 49", False),
        ("fdi", "lower", "19", False),
        ("fdi", None, "19 30", True),
        (None, "lower", "36 46", False),
    ],
)
def test_only_codes_that_all_fit_and_fit_there_alone(
    numbering: str | None, arch: str | None, codes: str, expected: bool
) -> None:
    sites = [{"tooth": code} for code in codes.split()]
    of = form(numbering=numbering, working_arch=arch, planned_teeth=None, sites=sites)
    assert only_fit_the_other(of) is expected
