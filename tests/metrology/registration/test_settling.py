from __future__ import annotations

import numpy as np
import pytest

from server.metrology.registration.nearby import nearby_of
from server.metrology.registration.settling import settled
from server.metrology.registration.starts import Starts
from server.metrology.rigid import small_motion
from server.metrology.scan import Scan
from tests.metrology.registration.landscapes import hills, meshed, surface

POINTS = 5_000
OFF = [(x, y, z) for x in (-0.5, 0.5) for y in (-0.5, 0.5) for z in (-0.4, 0.4)]


@pytest.mark.parametrize("beside_mm", [1.2, 1.5, 1.8])
def test_a_pose_that_is_right_is_among_those_settled_though_more_lies_beside(beside_mm: float) -> None:
    """Of the moving surface less than half lies on the fixed one; the strips between lie a little off it, as the facial faces
    of teeth do that close behind others, and draw on any step that reaches so far."""
    height = hills(40)
    fixed, scan = surface(meshed(height, 1)), meshed(height, 2)
    strip = scan.vertices[:, 0] % 10.0 < 4.4
    lifted = scan.vertices + np.where(strip, 0.0, beside_mm)[:, None] * (0.0, 0.0, 1.0)
    whole = (strip[scan.faces].sum(axis=1) % 3) == 0
    probe = surface(Scan(lifted, np.ascontiguousarray(scan.faces[whole]))).samples(POINTS)
    target = fixed.samples(POINTS)
    starts = np.array([small_motion(np.r_[0.0, 0.0, 0.0, off]) for off in OFF])
    found = settled(Starts(starts, np.ones(len(starts))), probe, target, nearby_of(target.points))
    assert np.linalg.norm(found.T[:, :3, 3], axis=1).min() < 0.1
