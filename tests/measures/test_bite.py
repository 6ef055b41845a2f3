"""The bite of phantoms: what both measures say against what is true of the mouth."""

from __future__ import annotations

from functools import cache

import numpy as np
import pytest

from seed_data.phantoms.faults import fault_named
from seed_data.phantoms.telling import truth_of
from seed_data.phantoms.truth import PhantomTruth
from seed_data.phantoms.work import Work
from server.measures.bench import RecordBench
from server.measures.bite_contact import BITE_CONTACT, BiteContactResult
from server.measures.bite_regions import Region
from server.measures.bite_relation import BITE_RELATION, BiteRelationResult, Spot
from server.measures.case_bench import CaseBench
from server.measures.measure import CaseMeasure, Measurement, Status
from server.metrology.bite.plan import unpacked
from server.records.case_form import CaseForm
from server.records.roles import Role
from server.records.teeth import Arch
from tests.inspection.spoiling import light_mouth, spoiled

KEPT: dict[str, Measurement] = {}
GENERAL = (Role.MARKERS, Role.PHOTO, Role.BEFORE)


@cache
def work(arch: Arch, fault: str = "", *, is_random: bool = False) -> Work:
    mouth = light_mouth(arch)
    mouth = mouth.in_random_frames() if is_random else mouth
    return spoiled(mouth, fault_named(fault)) if fault else mouth.scanned


def made(of: Work, measure: CaseMeasure, *, without: tuple[Role, ...] = ()) -> Measurement:  # type: ignore[type-arg]
    form = CaseForm.model_validate(of.form)
    data = {plan.name: plan.data for plan in of.files.values()}
    benches = {
        entry.file: RecordBench(data[entry.file], file_name=entry.file, role=entry.role, unit=entry.unit)
        for entry in form.records
        if entry.role not in (*GENERAL, *without)
    }
    found = CaseBench(form, benches, {}).run((measure,), KEPT)
    KEPT.update({m.key: m for m in found})
    return found[0]


def relation(of: Work, **options: tuple[Role, ...]) -> BiteRelationResult:
    found = made(of, BITE_RELATION, **options)
    assert found.status is Status.MEASURED, found.says
    return BiteRelationResult.model_validate(found.result)


def contact(of: Work, **options: tuple[Role, ...]) -> BiteContactResult:
    found = made(of, BITE_CONTACT, **options)
    assert found.status is Status.MEASURED, found.says
    return BiteContactResult.model_validate(found.result)


def gaps(truth: PhantomTruth) -> dict[Region, float]:
    assert truth.bite is not None
    return {Region.LEFT: truth.bite.gap_left_mm, Region.RIGHT: truth.bite.gap_right_mm}


@pytest.mark.parametrize(("arch", "is_random"), [(Arch.LOWER, False), (Arch.LOWER, True), (Arch.UPPER, True)])
def test_a_clean_bite_touches_on_both_sides_and_its_scans_agree(arch: Arch, is_random: bool) -> None:
    of = work(arch, is_random=is_random)
    told, closed = relation(of), contact(of)
    assert told.is_delivered is not is_random
    assert told.working_role is Role.DENTURE
    for bite in told.bites:
        assert bite.departs is not None
        own = bite.departs.at(Spot.OWN).size_mm
        assert own.value < 0.04
        assert own.u95 < 0.09
        assert bite.departs.tilt_deg.value < 0.1
        assert (bite.departs.against == ()) is told.is_delivered
    for region, true_mm in gaps(truth_of(of)).items():
        seen = closed.of(region)
        assert seen.least_mm is not None
        assert abs(seen.least_mm.value - true_mm) <= seen.least_mm.u95
        assert seen.contact_mm2 > 5.0
    assert closed.pressed.depth_mm.value < 0.03
    assert closed.left_over_right_mm is not None
    assert abs(closed.left_over_right_mm.value) < 0.1
    assert {c.region for c in closed.contacts} == set(Region)


def test_a_bite_scan_that_stands_apart_is_told_with_its_direction() -> None:
    of = work(Arch.LOWER, "bite-scan-disagrees")
    told = relation(of)
    (left,) = (b for b in told.bites if "left" in b.file)
    truth = next(r for r in truth_of(of).records if r.file == left.file)
    assert truth.T_record_relation_error is not None
    assert left.departs is not None
    shift = left.departs.at(Spot.INCISORS)
    true = np.array(truth.T_record_relation_error)[:3, 3]
    toward_left = np.array(truth_of(of).patients_left_in_joint)
    for found, direction in ((shift.left_mm, toward_left), (shift.front_mm, np.array([0.0, 1.0, 0.0]))):
        assert found.value == pytest.approx(float(true @ direction), abs=found.u95 + 0.03)
    assert all(
        b.departs is not None and b.departs.at(Spot.OWN).size_mm.value < 0.04
        for b in told.bites
        if b is not left
    )


@pytest.mark.parametrize(("fault", "by_mm"), [("bite-no-contact", 0.30), ("bite-penetration", -0.32)])
def test_an_opposing_jaw_moved_up_or_down_opens_or_presses_by_as_much(fault: str, by_mm: float) -> None:
    clean, closed = contact(work(Arch.LOWER)), contact(work(Arch.LOWER, fault))
    for region in Region:
        was, now = clean.of(region).least_mm, closed.of(region).least_mm
        assert was is not None
        assert now is not None
        assert now.value - was.value == pytest.approx(by_mm, abs=0.06)
    if by_mm < 0.0:
        assert closed.pressed.depth_mm.value == pytest.approx(0.3, abs=0.04)
        assert closed.pressed.area_mm2.value > 100.0
        assert closed.pressed.volume_mm3.value == pytest.approx(0.2 * closed.pressed.area_mm2.value, rel=0.4)
    else:
        assert closed.contacts == ()
        assert closed.pressed.volume_mm3.value == 0.0


def test_a_tilt_opens_one_side_and_says_which() -> None:
    of = work(Arch.LOWER, "bite-tilt-return")
    closed, true = contact(of), gaps(truth_of(of))
    wide = Region.LEFT if true[Region.LEFT] > true[Region.RIGHT] else Region.RIGHT
    assert closed.left_over_right_mm is not None
    signed = closed.left_over_right_mm.value if wide is Region.LEFT else -closed.left_over_right_mm.value
    assert signed > 0.5
    assert {c.region for c in closed.contacts if c.region is not Region.FRONT} == set(Region) - {
        wide,
        Region.FRONT,
    }


def test_both_plans_show_the_bite_from_the_same_place() -> None:
    closed = contact(work(Arch.LOWER))
    plans = [p for p in (closed.working_plan, closed.opposing_plan) if p is not None]
    assert len(plans) == 2
    fields = [unpacked(p.low_mm, p.columns, p.gap_um_b64) for p in plans]
    least = [float(np.nanmin(f.gap_mm)) for f in fields]
    assert least == pytest.approx([0.0, 0.0], abs=0.08)
    assert all(0.03 < np.isfinite(f.gap_mm).mean() < 0.8 for f in fields)


def test_a_bite_given_by_the_files_frame_alone_is_a_bite() -> None:
    of = work(Arch.LOWER)
    told = relation(of, without=(Role.BITE,))
    assert (told.is_delivered, told.bites) == (True, ())
    seen = contact(of, without=(Role.BITE,)).of(Region.LEFT)
    assert seen.least_mm is not None
    assert seen.least_mm.value < 0.1


def test_without_a_denture_no_teeth_are_shown_and_a_ridge_reaches_nothing() -> None:
    closed = contact(work(Arch.LOWER), without=(Role.DENTURE, Role.JAW, Role.BITE))
    assert not closed.shows_teeth
    assert closed.pressed.depth_mm.value == 0.0
    assert [seen.least_mm for seen in closed.regions] == [None] * 3


def test_without_an_opposing_jaw_or_a_relation_it_says_so() -> None:
    of = work(Arch.LOWER, is_random=True)
    assert "opposing" in made(of, BITE_RELATION, without=(Role.OPPOSING,)).says
    lost = made(of, BITE_CONTACT, without=(Role.BITE,))
    assert (lost.status, lost.because) == (Status.NOT_MEASURED, "bite/missing")


def test_a_denture_relined_on_a_swelling_is_no_other_bite() -> None:
    """On the jaw it lies tilted; its file and those of the bite scans came in one frame all the same."""
    told = relation(work(Arch.UPPER, "denture-impression-mismatch"))
    assert told.is_delivered
    assert told.motion == pytest.approx(np.eye(4))
    for seen in told.bites:
        assert seen.departs is not None
        assert seen.departs.at(Spot.OWN).size_mm.value < 0.1
        assert seen.departs.tilt_deg.value < 0.2
