"""Faults of group round: what a rescan can be, beside a proper one."""

from __future__ import annotations

from dataclasses import replace
from functools import partial

import numpy as np

from seed_data.phantoms.dice import Dice
from seed_data.phantoms.faults.expect import Found, fault
from seed_data.phantoms.faults.places import inner_place
from seed_data.phantoms.frames import own_frame
from seed_data.phantoms.mesh_files import mesh_bytes
from seed_data.phantoms.rigid import move
from seed_data.phantoms.scanner import Draft, scan
from seed_data.phantoms.work import Stage, Work
from server.rules.limit import Level


def _bytes(work: Work, key: str, draft: Draft, rng: Dice) -> bytes:
    plan = work.files[key]
    points = draft.in_file() / (plan.unit.in_mm or 1.0)
    return mesh_bytes(points, draft.faces, plan.form, replace(plan.habits, is_shuffled=True), rng=rng)


def _renumbered(work: Work, rng: Dice) -> Found:
    work.second_round["jaw"] = _bytes(work, "jaw", work.drafts["jaw"], rng)
    return Found(Level.LOOK, "jaw")


def _moved(work: Work, rng: Dice) -> Found:
    """Exported again in another frame: no coordinate is the same, the surface is."""
    draft = work.drafts["tissue"]
    T = own_frame(rng)
    moved = replace(draft, vertices_mm=move(T, draft.vertices_mm), T_file_joint=np.eye(4))
    work.second_round["tissue"] = _bytes(work, "tissue", moved, rng)
    return Found(Level.LOOK, "tissue")


def _rescanned(work: Work, key: str) -> Draft:
    draft = scan(work.seed, work.subjects[key], work.settings[key], take="2")
    return replace(draft, T_file_joint=work.frame(key))


def _proper(work: Work, rng: Dice) -> Found:
    work.second_round["jaw"] = _bytes(work, "jaw", _rescanned(work, "jaw"), rng)
    return Found(Level.CLEAR, "jaw")


def _changed(work: Work, rng: Dice, *, by_mm: float, level: Level) -> Found:
    """A region of tissue has swollen between the rounds."""
    draft = _rescanned(work, "tissue")
    at = inner_place(rng, draft, margin_mm=5.0)
    rise = by_mm * np.exp(-((draft.vertices_mm - at) ** 2).sum(axis=1) / (2.0 * 6.0**2))
    draft = replace(draft, vertices_mm=draft.vertices_mm + rise[:, None] * draft.normals)
    work.second_round["tissue"] = _bytes(work, "tissue", draft, rng)
    return Found(
        level,
        "tissue",
        place_mm=work.in_file("tissue", at),
        place_within_mm=8.0,
        value=by_mm,
        value_within=0.3 * by_mm,
        unit="mm",
    )


T = Stage.ROUND
ROUND_FAULTS = (
    fault("round-rescan", "round/changed-too-much", T, "a proper rescan: nothing to find", _proper),
    fault("round-same-as-before", "round/same-as-before", T, "the old scan exported again", _renumbered),
    fault("round-same-as-before-moved", "round/same-as-before", T, "the old scan in another frame", _moved),
    fault(
        "round-changed-too-much",
        "round/changed-too-much",
        T,
        "0.7 mm of swelling between the rounds",
        partial(_changed, by_mm=0.7, level=Level.LOOK),
    ),
    fault(
        "round-changed-too-much-return",
        "round/changed-too-much",
        T,
        "1.8 mm of swelling between the rounds",
        partial(_changed, by_mm=1.8, level=Level.RETURN),
    ),
)
