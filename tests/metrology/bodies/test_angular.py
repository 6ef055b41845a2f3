from __future__ import annotations

import numpy as np
import pytest

from server.metrology.bodies.finding import FoundBody, find_bodies
from server.metrology.rigid import angle_deg, inverse
from tests.metrology.bodies.angular import OtherBody, crosspiece, prism, slanted
from tests.metrology.bodies.scenes import CONE, Floats, reference, scene

BODIES = (prism(3, 1.6, 6.0), prism(4, 1.8, 5.5), prism(6, 2.0, 6.5), crosspiece(), slanted())
CATALOGUE = [*(body.reference() for body in BODIES), reference(CONE)]


def near(found: list[FoundBody], T: Floats) -> FoundBody:
    return min(found, key=lambda body: float(np.linalg.norm(body.seat_mm - T[:3, 3])))


@pytest.mark.parametrize("body", BODIES, ids=lambda body: body.id)
def test_a_body_that_is_not_round_is_found_where_it_stands_among_others(body: OtherBody) -> None:
    seen = scene(
        [(body, (0.0, 0.0), 12.0), (CONE, (0.4, 11.0), -15.0), (body, (-0.4, 22.0), -20.0)], sigma_mm=0.015
    )
    found = find_bodies(seen.surface, CATALOGUE, 3)
    assert len(found) == 3
    for kind, T in seen.poses:
        one = near(found, T)
        assert one.body == kind
        assert np.linalg.norm(one.seat_mm - T[:3, 3]) < 0.02
        assert angle_deg(inverse(T) @ one.T_scan_body) < 0.4
        assert one.is_clock_sure


@pytest.mark.parametrize("corners", [3, 4, 6])
def test_a_prism_without_a_mark_is_found_and_its_turn_is_not_claimed(corners: int) -> None:
    plain = prism(corners, 1.8, 6.0, marked=False)
    seen = scene([(plain, (0.0, 0.0), 10.0)], sigma_mm=0.01)
    (one,) = find_bodies(seen.surface, [plain.reference()], 1)
    assert np.linalg.norm(one.seat_mm - seen.poses[0][1][:3, 3]) < 0.02
    assert not one.is_clock_sure


def test_bars_may_pass_over_one_anothers_reach() -> None:
    """Axes 5 mm apart, bars 9 mm long that lie side by side: both bodies stay."""
    bar = crosspiece()
    seen = scene([(bar, (0.0, 0.0), 0.0), (bar, (0.0, 6.0), 0.0)])
    found = find_bodies(seen.surface, [bar.reference()], 2)
    assert len(found) == 2
    for _, T in seen.poses:
        assert np.linalg.norm(near(found, T).seat_mm - T[:3, 3]) < 0.01
