"""Faults of group vertical that only surfaces show: the jaws stood otherwise to each other before treatment."""

from __future__ import annotations

from dataclasses import replace
from functools import partial

import numpy as np
from numpy.typing import NDArray

from seed_data.phantoms.dice import Dice
from seed_data.phantoms.faults.expect import Found, fault
from seed_data.phantoms.frames import own_frame
from seed_data.phantoms.mesh_files import Format, draw_habits
from seed_data.phantoms.rigid import Matrix, motion_about
from seed_data.phantoms.scanner import Subject
from seed_data.phantoms.subjects import before_subject, opposing_subject, settings_for
from seed_data.phantoms.work import FilePlan, Stage, Work
from server.records.roles import Role
from server.rules.limit import Level

Floats = NDArray[np.float64]

HINGE_MM = (-48.0, 20.0)
"""Where the lower jaw turns: behind the second molars, and as far toward the upper jaw."""


def stood_before(work: Work, lower_mm: float) -> Matrix:
    """By which motion (joint frame) the other jaw stood off today's place before: closer by so much at the incisors."""
    reach = float(work.mouth.layout.facial.points_mm[:, 1].max()) - HINGE_MM[0]
    hinge = np.array([0.0, *HINGE_MM])
    return motion_about(hinge, np.array([1.0, 0.0, 0.0]), -lower_mm / reach, np.zeros(3))


def with_before(work: Work, lower_mm: float) -> Matrix:
    """Adds what was scanned before treatment, both jaws in a frame of their own as they then stood to each other: closer by so
    much at the incisors. Gives that motion."""
    T = stood_before(work, lower_mm)
    worn = replace(work.mouth.before, teeth=work.mouth.before.teeth.moved(T))
    working = before_subject(replace(work.mouth, before=worn))
    other = replace(opposing_subject(work.mouth), name="before-opposing", role=Role.BEFORE)
    rng = work.dice("before", "frame")
    frame = own_frame(rng)
    for key, subject, moves in (("before", working, ()), ("before-opposing", other, (T, np.eye(4)))):
        _add(work, key, subject, moves)
        work.frames[key] = frame
    return T


def _add(work: Work, key: str, subject: Subject, moves: tuple[Matrix, ...]) -> None:
    role = Role.OPPOSING if key == "before-opposing" else Role.BEFORE
    settings = settings_for(work.seed, replace(subject, role=role), work.mouth, work.device)
    work.subjects[key] = subject
    work.settings[key] = replace(settings, part_moves=moves)
    unit = next(plan.unit for plan in work.files.values() if plan.role is Role.JAW)
    work.files[key] = FilePlan(
        name=f"{key}.stl",
        role=Role.BEFORE,
        form=Format.STL,
        habits=draw_habits(work.dice("before", key)),
        unit=unit,
        declared_unit=unit,
    )


def _raised_since(work: Work, _rng: Dice, *, unplanned_mm: float, level: Level) -> Found:
    """Both marks moved with the skin and say that all is well; the jaws tell otherwise."""
    planned = float(work.form["vertical"]["planned_change_mm"])
    with_before(work, planned + unplanned_mm)
    return Found(level, "before", value=unplanned_mm, value_within=0.12 * (planned + unplanned_mm), unit="mm")


M = Stage.MOUTH
HEIGHT_FAULTS = (
    fault(
        "vertical-changed-surfaces",
        "vertical/changed",
        M,
        "1.8 mm higher than before by both jaws",
        partial(_raised_since, unplanned_mm=1.8, level=Level.LOOK),
    ),
    fault(
        "vertical-changed-surfaces-return",
        "vertical/changed",
        M,
        "3.5 mm higher than before by both jaws",
        partial(_raised_since, unplanned_mm=3.5, level=Level.RETURN),
    ),
)
