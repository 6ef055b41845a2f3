"""A rescan against the scan it replaces, on landscapes whose true change is given by a formula."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest
from numpy.typing import NDArray

from server.measures.bench import RecordBench
from server.measures.case_bench import CaseBench
from server.measures.change import CHANGE, ChangeResult, Ended, RecordChange
from server.measures.graph import CASE_MEASURES
from server.measures.measure import Status
from server.metrology.rigid import apply
from server.metrology.scan import Scan
from server.records.roles import Role, Unit
from tests.measures.files import stl
from tests.metrology.registration.landscapes import Height, frame, hills, meshed
from tests.rules.good_set import form

Floats = NDArray[np.float64]
NEW_FRAME, OLD_FRAME = frame(1), frame(2)
AT = np.array([8.0, 5.0])


def _swelling(by_mm: float, sigma_mm: float) -> Height:
    return lambda x, y: by_mm * np.exp(-((x - AT[0]) ** 2 + (y - AT[1]) ** 2) / (2.0 * sigma_mm**2))


def _bench(scan: Scan, T: Floats, role: Role = Role.TISSUE, unit: Unit = Unit.MM) -> RecordBench:
    points = apply(T, scan.vertices) / (unit.in_mm or 1.0)
    return RecordBench(stl(points[scan.faces]), file_name="tissue.stl", role=role, unit=unit)


def _row(new: RecordBench, old: RecordBench) -> RecordChange:
    bench = CaseBench(form(), {"tissue.stl": new}, {"tissue.stl": old})
    (made,) = bench.run((CHANGE,), {})
    assert made.status is Status.MEASURED, made.says
    (row,) = ChangeResult.model_validate(made.result).records
    return row


@pytest.fixture(scope="module")
def old() -> RecordBench:
    return _bench(meshed(hills(6), 1), OLD_FRAME)


def _new(**how: Any) -> RecordBench:
    return _bench(meshed(hills(6), 2, **how), NEW_FRAME)


def test_a_proper_rescan_has_changed_nowhere(old: RecordBench) -> None:
    row = _row(_new(), old)
    assert row.ended is Ended.COMPARED
    assert row.changed_mm is not None
    assert row.changed_mm < 0.05
    assert row.differing_ratio == pytest.approx(0.0, abs=1e-3)
    assert row.at_mm is None


def test_a_swelling_is_measured_and_placed(old: RecordBench) -> None:
    """Its height where 6 mm² (a disc of 1.38 mm) exceed it, along a normal that leans: within a tenth."""
    row = _row(_new(change=_swelling(0.7, 6.0)), old)
    top = 0.7 * np.exp(-(6.0 / np.pi) / (2.0 * 36.0))
    assert row.changed_mm == pytest.approx(top, rel=0.12)
    x, y = AT
    z = hills(6)(AT[:1], AT[1:])[0] + 0.7
    true = apply(NEW_FRAME, np.array([[x, y, z]]))[0]
    assert row.at_mm is not None
    assert np.linalg.norm(np.array(row.at_mm) - true) < 4.0


def test_a_spike_is_no_change(old: RecordBench) -> None:
    """A needle half a millimetre thick covers less than a square millimetre."""
    row = _row(_new(change=_swelling(2.0, 0.4)), old)
    assert row.changed_mm is not None
    assert row.changed_mm < 0.15


def test_what_only_one_of_them_shows_does_not_count(old: RecordBench) -> None:
    whole = meshed(hills(6), 2)
    centres = whole.vertices[whole.faces].mean(axis=1)[:, :2]
    keep = np.linalg.norm(centres - AT, axis=1) > 4.0
    holed = Scan(whole.vertices, whole.faces[keep & (centres[:, 0] > -22.0)])
    for row in (_row(_bench(holed, NEW_FRAME), old), _row(_new(), _bench(holed, OLD_FRAME))):
        assert row.ended is Ended.COMPARED
        assert row.changed_mm is not None
        assert row.changed_mm < 0.08


def test_units_and_facing_may_differ(old: RecordBench) -> None:
    inches = _bench(meshed(hills(6), 3), NEW_FRAME, unit=Unit.INCH)
    turned = _bench(meshed(hills(6), 4, is_turned=True), NEW_FRAME)
    for new in (inches, turned):
        row = _row(new, old)
        assert row.ended is Ended.COMPARED
        assert row.changed_mm is not None
        assert row.changed_mm < 0.05


def test_another_thing_fits_in_no_way(old: RecordBench) -> None:
    assert _row(_bench(meshed(hills(60), 1), NEW_FRAME), old).ended is Ended.NOTHING_FITS


def test_what_cannot_be_read_is_told_apart(old: RecordBench) -> None:
    cut = RecordBench(old.data[:-30], file_name="tissue.stl", role=Role.TISSUE, unit=Unit.MM)
    unread, nothing = _row(cut, old), _row(old, cut)
    assert (unread.ended, unread.because) == (Ended.UNREAD, "file/truncated")
    assert nothing.ended is Ended.NOTHING_TO_COMPARE
    jaw = RecordBench(old.data, file_name="tissue.stl", role=Role.JAW, unit=Unit.MM)
    assert _row(jaw, old).ended is Ended.NOTHING_TO_COMPARE


def test_without_a_rescan_nothing_is_made(old: RecordBench) -> None:
    assert CHANGE in CASE_MEASURES
    assert CaseBench(form(), {"tissue.stl": old}, {}).run((CHANGE,), {}) == []


def test_another_record_of_the_case_does_not_make_it_anew(old: RecordBench) -> None:
    other = RecordBench(b"x", file_name="jaw.stl", role=Role.JAW, unit=Unit.MM)
    pair = {"tissue.stl": old}
    alone = CaseBench(form(), {"tissue.stl": old}, pair).run((CHANGE,), {})
    kept = {made.key: made for made in alone}
    again = CaseBench(form(), {"tissue.stl": old, "jaw.stl": other}, pair).run((CHANGE,), kept)
    assert again == alone
