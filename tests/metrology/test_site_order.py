from __future__ import annotations

import numpy as np
import pytest

from server.metrology.site_order import pair_along_arch
from server.records.crown_widths import along_arch_mm, along_ridge_mm
from server.records.teeth import Numbering, tooth_of


def places(*codes: str) -> np.ndarray:
    return np.array([along_arch_mm(tooth_of(code, Numbering.FDI)) for code in codes])


def test_places_follow_the_widths_of_crowns() -> None:
    assert along_arch_mm(tooth_of("31", Numbering.FDI)) == 2.5
    assert along_arch_mm(tooth_of("36", Numbering.FDI)) == pytest.approx(5.0 + 5.5 + 7.0 + 7.0 + 7.0 + 5.5)
    assert along_arch_mm(tooth_of("46", Numbering.FDI)) == -along_arch_mm(tooth_of("36", Numbering.FDI))


def test_pairs_whatever_the_order_they_come_in() -> None:
    written = places("46", "34", "42", "32")
    found = places("32", "42", "46", "34") * 1.1 + 1.5
    made = pair_along_arch(written, found)
    assert set(made.pairs) == {(0, 2), (1, 3), (2, 1), (3, 0)}
    assert made.misfit < 2.0
    assert made.mirrored > made.misfit + 10.0


def test_names_the_site_without_a_body() -> None:
    written = places("46", "44", "42", "32", "34", "36")
    found = np.delete(places("46", "44", "42", "32", "34", "36") * 0.95, 3)
    made = pair_along_arch(written, found)
    assert {i for i, _ in made.pairs} == {0, 1, 2, 4, 5}
    assert made.is_clear


def test_a_body_too_many_is_left_out() -> None:
    written = places("46", "43", "33", "36")
    made = pair_along_arch(written, np.append(written, 0.5))
    assert {j for _, j in made.pairs} == {0, 1, 2, 3}


def test_says_when_it_cannot_tell_which_is_missing() -> None:
    made = pair_along_arch(places("42", "41", "31"), places("42", "31"))
    assert not made.is_clear


def test_nothing_found_pairs_nothing() -> None:
    assert pair_along_arch(places("46", "36"), np.zeros(0)).pairs == ()


def test_a_mouth_with_the_sides_exchanged_fits_better_mirrored() -> None:
    made = pair_along_arch(places("46", "45", "42", "34"), -places("46", "45", "42", "34"))
    assert made.mirrored + 20.0 < made.misfit


def test_refuses_a_crowd() -> None:
    with pytest.raises(ValueError, match="more than 16"):
        pair_along_arch(np.zeros(17), np.zeros(4))


def test_the_ridge_loses_most_in_front_where_it_turns() -> None:
    for code in ("31", "33", "36", "46"):
        tooth = tooth_of(code, Numbering.FDI)
        assert 0.0 < abs(along_ridge_mm(tooth)) < abs(along_arch_mm(tooth))
    lost = [
        along_arch_mm(t) - along_ridge_mm(t) for t in (tooth_of(c, Numbering.FDI) for c in ("32", "34", "36"))
    ]
    assert lost[0] > lost[1] - lost[0] > lost[2] - lost[1] > 0.0
