"""What the lab's page draws in space: every place in the joint frame, by transforms known in advance."""

from __future__ import annotations

import json
from dataclasses import asdict

import numpy as np
import pytest
from numpy.typing import NDArray

from server.cases.tables import CaseState
from server.inspection.inspect import judge_case
from server.inspection.report import Report
from server.measures.frames import JOINT, JointResult, Placed
from server.measures.markers import MARKERS
from server.measures.relation import rows_of
from server.metrology.rigid import apply, turn
from server.records.roles import Role
from server.web.pages.reasons import anchor_of
from server.web.pages.review.plate import Layer, Plate
from server.web.pages.review.plate_build import has_place, plate_of, stamp_of
from tests.rules.biting import closed, contact, relation
from tests.rules.positions import pair, positions
from tests.rules.standing import seen, standing
from tests.web.invented import hole, record, report, view

Floats = NDArray[np.float64]
QUARTER = np.array([[0.0, -1.0, 0.0, 5.0], [1.0, 0.0, 0.0, -7.0], [0.0, 0.0, 1.0, 2.0], [0.0, 0.0, 0.0, 1.0]])
"""A quarter turn about z and a shift: (1, 0, 0) goes to (5, -6, 2)."""


def laid(found: Report, root: str, **others: Floats | str) -> Report:
    """A report with a joint frame: `root`'s own, others by file with their transform, or with why they have none."""
    placed = [Placed(file=root, T_root_record=rows_of(np.eye(4)))]
    for name, told in others.items():
        file = name.replace("_", ".")
        placed.append(
            Placed(file=file, says=told)
            if isinstance(told, str)
            else Placed(file=file, T_root_record=rows_of(told))
        )
    joint = JointResult(root=root, records=tuple(placed), links=())
    measures = {**found.measures, JOINT.name: {"status": "measured", **joint.model_dump(mode="json")}}
    return found.model_copy(update={"measures": measures})


def plate(found: Report | None, *drawn: str, files: tuple[tuple[Role, str], ...]) -> Plate:
    return plate_of(view(CaseState.WITH_LAB, *(record(role, name) for role, name in files)), found, drawn)


JAW = ((Role.JAW, "jaw.stl"),)
MARKED = (*JAW, (Role.MARKERS, "markers.stl"))


def layer(made: Plate, role: Role) -> Layer:
    return next(one for one in made.layers if one.role == role.value)


def test_records_carry_their_transform_and_the_photo_is_left_out() -> None:
    files = ((Role.JAW, "jaw.stl"), (Role.TISSUE, "tissue.stl"), (Role.PHOTO, "face.png"))
    made = plate(laid(report(), "jaw.stl", tissue_stl=QUARTER), "jaw-stl", "tissue-stl", files=files)
    assert [one.role for one in made.layers] == ["jaw", "tissue"]
    assert layer(made, Role.TISSUE).T_joint_record == tuple(QUARTER.ravel())
    assert all(one.href and not one.says for one in made.layers)
    assert "jaw scan" in made.says


def test_what_has_no_place_or_no_preview_says_so() -> None:
    files = (*JAW, (Role.OPPOSING, "opposing.stl"), (Role.BITE, "bite.stl"))
    found = laid(report(), "jaw.stl", opposing_stl="it does not lie on the bite scan in any way")
    made = plate(found, "jaw-stl", "opposing-stl", files=files)
    apart = layer(made, Role.OPPOSING)
    assert (apart.T_joint_record, apart.shown) == ((), 0.0)
    assert "does not lie on the bite scan" in apart.says
    assert (layer(made, Role.BITE).href, bool(layer(made, Role.BITE).says)) == ("", True)


def test_without_a_report_every_record_is_by_itself() -> None:
    made = plate(None, "jaw-stl", files=JAW)
    assert (layer(made, Role.JAW).T_joint_record, made.bodies, made.bite, made.places) == ((), (), None, {})
    assert "not been laid together" in made.says


def test_several_records_of_a_role_are_told_apart() -> None:
    made = plate(None, files=((Role.BITE, "a.stl"), (Role.BITE, "b.stl")))
    assert [one.name for one in made.layers] == ["Bite scan 1", "Bite scan 2"]


def test_a_place_is_carried_from_its_record_into_the_joint_frame() -> None:
    """Closed form: (12.44, -8.06, 3) turned a quarter is (8.06, 12.44, 3), shifted (13.06, 5.44, 5)."""
    found = laid(report(hole()), "tissue.stl", jaw_stl=QUARTER)
    made = plate(found, files=(*JAW, (Role.TISSUE, "tissue.stl")))
    place = made.places[anchor_of(hole())]
    assert place.at_mm == pytest.approx((13.06, 5.44, 5.0))
    assert (place.layer, place.is_apart) == ("jaw-stl", False)
    alone = plate(report(hole()), files=JAW).places[anchor_of(hole())]
    assert (alone.at_mm, alone.is_apart) == ((12.44, -8.06, 3.0), True)


def test_a_finding_at_a_site_points_to_its_body() -> None:
    found = judge_case(standing(seen(0), seen(1, coverage_ratio=0.4), seen(2), seen(3)))
    finding = next(f for f in found.findings if f.rule == "bodies/coverage" and f.level.gravity > 1)
    assert has_place(finding, found)
    place = plate(found, files=JAW).places[anchor_of(finding)]
    body = seen(1)
    near = finding.where[0].point_mm if finding.where else body.seat_mm
    assert np.linalg.norm(np.array(place.at_mm) - near) < 10.0


def test_bodies_stand_in_the_joint_frame_with_what_was_caught() -> None:
    found = laid(judge_case(standing(*(seen(k) for k in range(4)))), "tissue.stl", jaw_stl=QUARTER)
    made = plate(found, files=JAW)
    assert len(made.bodies) == 4
    for mark, k in zip(made.bodies, range(4), strict=True):
        body = next(
            b for b in map(seen, range(4)) if np.allclose(apply(QUARTER, np.array([b.seat_mm])), mark.seat_mm)
        )
        assert mark.axis == pytest.approx(turn(QUARTER, np.array([body.axis]))[0])
        assert mark.eighths == body.by_eighth, k
        assert f"± {body.u95_position_mm:.3f} mm" in mark.says


def test_positions_from_a_table_are_marked_where_they_lie_by_their_sites() -> None:
    """As laid on the jaw scan, and from there into the joint frame."""
    plain = judge_case(positions(account="alike", pairs=tuple(pair(k) for k in range(4))))
    told = plain.measures[MARKERS.name]
    rows = [{**row, "tooth": ""} for row in told["markers"]]
    as_table = {**told, "is_table": True, "markers": rows, "T_jaw_markers": QUARTER.tolist()}
    found = plain.model_copy(update={"measures": {**plain.measures, MARKERS.name: as_table}})
    made = plate(laid(found, "tissue.stl", jaw_stl=QUARTER), files=MARKED)
    assert len(made.seats) == len(rows) > 0
    twice = QUARTER @ QUARTER
    for mark, row in zip(made.seats, rows, strict=True):
        assert mark.seat_mm == pytest.approx(apply(twice, np.array([row["seat_mm"]]))[0])
        assert mark.axis == pytest.approx(turn(twice, np.array([row["axis"]]))[0])
        assert mark.label
        assert f"± {row['u95_position_mm']:.3f} mm" in mark.says
    assert plate(laid(plain, "tissue.stl", jaw_stl=QUARTER), files=MARKED).seats == ()


def test_shifts_are_those_of_the_plan_of_positions() -> None:
    """Without turning or scaling the figure's vectors, in the frame that the jaw has."""
    pairs = tuple(pair(k, off_mm=0.3 if k == 2 else 0.0, residual_mm=0.2) for k in range(4))
    plain = judge_case(positions(account="one site off", named=(2,), pairs=pairs))
    figure = plain.figures.positions
    assert figure is not None
    made = plate(laid(plain, "tissue.stl", jaw_stl=QUARTER), files=MARKED)
    assert made.enlargement == figure.enlargement
    for mark, site in zip(made.shifts, figure.sites, strict=True):
        assert site.shift_mm is not None
        long_mm = (
            float(
                np.hypot(
                    *site.across_mm,
                )
                ** 2
                + site.height_mm**2
            )
            ** 0.5
        )
        assert np.linalg.norm(mark.shift_mm) == pytest.approx(long_mm, abs=1e-6)
        assert mark.shift_mm == pytest.approx(turn(QUARTER, np.array([site.shift_mm]))[0], abs=1e-6)
    assert layer(made, Role.MARKERS).T_joint_record == pytest.approx(tuple(QUARTER.ravel()))


def test_gaps_lie_on_one_plan_with_their_marks() -> None:
    """The working record turned a quarter: its plan, seen from the joint frame, undoes that, so the mark of each contact
    falls on the plan where the working record has it, and the two sheets look at each other."""
    rows = tuple(tuple(map(float, row)) for row in QUARTER)
    found = judge_case(closed(relation().model_copy(update={"T_root_working": rows}), contact()))
    files = ((Role.DENTURE, "denture.stl"), (Role.OPPOSING, "opposing.stl"))
    made = plate(laid(found, "jaw.stl", denture_stl=QUARTER, opposing_stl=QUARTER), files=files).bite
    assert made is not None
    T_plan_joint = np.array(made.T_plan_joint).reshape(4, 4)
    wanted = [c.at_mm for c in contact().contacts]
    for mark, at in zip(made.marks, wanted, strict=False):
        assert apply(T_plan_joint, np.array([mark.at_mm]))[0] == pytest.approx(at, abs=1e-5)
    assert [mark.gap_mm for mark in made.marks[: len(wanted)]] == [c.gap_mm for c in contact().contacts]
    one, other = made.sheets
    assert (one.layer, other.layer) == ("denture-stl", "opposing-stl")
    assert one.toward == pytest.approx(turn(QUARTER, np.array([relation().occlusal]))[0])
    assert np.array(other.toward) == pytest.approx(-np.array(one.toward))


def test_the_stamp_changes_with_what_is_drawn_and_with_the_report_alone() -> None:
    shown = view(CaseState.WITH_LAB, record(Role.JAW, "jaw.stl"))
    stamps = {stamp_of(shown, None, ()), stamp_of(shown, None, ("jaw-stl",)), stamp_of(shown, report(), ())}
    assert len(stamps) == 3
    assert stamp_of(shown, report(), ()) == stamp_of(shown, report(hole()), ())


def test_no_file_name_is_in_it() -> None:
    one = record(Role.JAW, "Ember Rosalind.stl")
    one.id = "r1"
    made = plate_of(view(CaseState.WITH_LAB, one), laid(report(), "Ember Rosalind.stl"), ("r1",))
    assert made.layers[0].T_joint_record
    assert "Ember" not in json.dumps(asdict(made))
