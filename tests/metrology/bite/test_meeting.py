from __future__ import annotations

import pytest

from server.metrology.bite.meeting import Jaws, meeting_in_one_frame
from tests.metrology.bite.plates import plate
from tests.metrology.registration.landscapes import surface


@pytest.mark.parametrize(
    ("z_mm", "looks_down", "jaws"),
    [
        (1.0, True, Jaws.MEET),
        (-0.5, True, Jaws.MEET),
        (-2.0, True, Jaws.INSIDE),
        (1.0, False, Jaws.SAME_WAY),
        (9.0, True, Jaws.APART),
    ],
)
def test_how_two_jaws_stand(z_mm: float, looks_down: bool, jaws: Jaws) -> None:
    met = meeting_in_one_frame(
        surface(plate(15.0, z_mm, looks_down=looks_down)), surface(plate(16.0, 0.0)), 3.0
    )
    assert met.jaws is jaws
    if jaws is Jaws.MEET:
        assert met.facing_mm2 == pytest.approx(900.0, rel=0.02)
