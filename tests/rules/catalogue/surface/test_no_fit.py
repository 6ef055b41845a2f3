from __future__ import annotations

from dataclasses import replace

import pytest

from server.measures.denture_laid import Laid
from server.measures.impression import IMPRESSION
from server.measures.relation import Came
from server.rules.catalogue.surface.no_fit import RULE
from server.rules.finding import Finding
from server.rules.limit import Level, Outcome
from tests.rules.good_set import ask
from tests.rules.impressions import compared
from tests.rules.joined import joined, link, placed
from tests.rules.standing import of_case


def of_tissue(came: Came, says: str = "it does not lie on the jaw scan in any way") -> Finding:
    of = joined(link("tissue", "jaw", came), records=(placed("tissue", says),))
    return next(f for f in ask(RULE, of) if f.records == ("tissue.stl",))


def test_a_record_in_its_place_passes_and_says_how_well_it_is_known() -> None:
    found = next(f for f in ask(RULE, joined(link("tissue", "jaw"))) if f.records == ("tissue.stl",))
    assert (found.outcome, found.level) == (Outcome.PASSED, Level.CLEAR)
    assert "0.08 mm" in found.says


@pytest.mark.parametrize("came", [Came.NOT, Came.AMBIGUOUS])
def test_a_record_without_a_place_is_for_the_lab(came: Came) -> None:
    found = of_tissue(came)
    assert (found.outcome, found.level) == (Outcome.FAILED, Level.LOOK)
    assert "tissue scan could not be placed" in found.says


def test_a_mirrored_one_is_told_elsewhere() -> None:
    found = of_tissue(Came.MIRRORED)
    assert (found.outcome, found.because) == (Outcome.NOT_MEASURED, "surface/mirrored")


def test_what_nothing_was_compared_with_is_not_blamed() -> None:
    of = joined(records=(placed("opposing", "no other record shows anything of what it shows"),))
    found = next(f for f in ask(RULE, of) if f.records == ("opposing.stl",))
    assert (found.outcome, found.level) == (Outcome.NOT_MEASURED, Level.NOTE)


def test_of_a_denture_that_fits_nowhere_the_rule_of_its_impression_side_speaks() -> None:
    made = joined(
        link("denture", "jaw", Came.NOT),
        records=(placed("denture", "it does not lie on the jaw scan in any way"),),
    )
    told = of_case(IMPRESSION, compared(laid=Laid.NOT, came=Came.NOT, p95_mm=None))
    of = replace(made, measurements={**made.measurements, IMPRESSION.name: told})
    found = next(f for f in ask(RULE, of) if f.records == ("denture.stl",))
    assert (found.outcome, found.because) == (Outcome.NOT_MEASURED, "denture/impression-mismatch")


def test_of_a_bite_scan_beside_an_opposing_jaw_its_own_rule_speaks() -> None:
    lost = placed("bite-1", "it does not lie on the denture scan or the opposing jaw scan in any way")
    of = joined(link("bite-1", "denture", Came.NOT), link("bite-1", "opposing", Came.NOT), records=(lost,))
    found = next(f for f in ask(RULE, of) if f.records == ("bite-1.stl",))
    assert (found.outcome, found.because) == (Outcome.NOT_MEASURED, "bite/scan-disagrees")
    alone = joined(link("bite-1", "denture", Came.NOT), records=(lost,))
    assert next(f for f in ask(RULE, alone) if f.records == ("bite-1.stl",)).outcome is Outcome.FAILED
