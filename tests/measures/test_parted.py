"""A phantom's denture laid on the scans of its jaw: the sides told alone stand, wrong ones do not."""

from __future__ import annotations

from functools import cache

import numpy as np
import pytest
from numpy.typing import NDArray

from seed_data.phantoms.mesh_files import stl_bytes
from seed_data.phantoms.phantom import draft_work
from seed_data.phantoms.scanner import Draft, scan
from server.measures.bench import RecordBench
from server.measures.case_bench import CaseBench
from server.measures.frames import JOINT
from server.measures.measure import Measurement, Status
from server.measures.parted import AGAINST_RATIO, PARTED, PartedResult, best_positive
from server.measures.sides import SIDES, packed
from server.metrology.rigid import apply
from server.records.case_form import CaseForm
from server.records.roles import Unit
from server.records.teeth import Arch
from tests.metrology.impression.dentures import SEEDS, overlap
from tests.metrology.registration.landscapes import frame

Mask = NDArray[np.bool_]
KEYS = ("denture", "tissue")


@cache
def drafts() -> tuple[dict[str, Draft], Mask]:
    """A lower denture and its tissue scan, and the truth by facet, as in `dentures`."""
    work = draft_work(SEEDS[Arch.LOWER], None, Arch.LOWER, random_frames=False, detail=0.6, noise_um=None)
    made = {key: scan(work.seed, work.subjects[key], work.settings[key]) for key in KEYS}
    draft, solid = made["denture"], work.mouth.denture
    middles = draft.true_mm[draft.faces].mean(axis=1)
    return made, np.asarray(-solid.jaw.distance(middles) >= solid.outer(middles))


@cache
def bench() -> CaseBench:
    made, _ = drafts()
    records = {
        key: RecordBench(
            stl_bytes(apply(frame(k), draft.vertices_mm), draft.faces),
            file_name=key,
            role=draft.role,
            unit=Unit.MM,
        )
        for k, (key, draft) in enumerate(made.items())
    }
    return CaseBench(CaseForm(working_arch=Arch.LOWER), records, {})


@cache
def first() -> tuple[Measurement, ...]:
    """Everything made of the case as it is: kept for what follows."""
    made = bench().run((JOINT, PARTED), {})
    denture = bench().records["denture"]
    return (*made, *denture.run((SIDES,), {}))


def told(side: Mask | None = None) -> PartedResult:
    """The sides with the scans; with `side`, as though the denture alone had told that one."""
    kept = {m.key: m for m in first() if m.measure != PARTED.name}
    if side is not None:
        own = next(m for m in first() if m.measure == SIDES.name)
        kept[own.key] = own.model_copy(
            update={"result": {**(own.result or {}), "impression_b64": packed(side)}}
        )
    again = CaseBench(bench().form, _fresh(), {})
    made = next(m for m in again.run((PARTED,), kept) if m.measure == PARTED.name)
    assert made.status is Status.MEASURED, made.says
    return PartedResult.model_validate(made.result)


def _fresh() -> dict[str, RecordBench]:
    return {
        name: RecordBench(old.data, file_name=name, role=old.role, unit=old.unit)
        for name, old in bench().records.items()
    }


def areas() -> NDArray[np.float64]:
    return np.asarray(bench().records["denture"].outward.topology.areas_mm2)


def test_sides_told_alone_stand_where_the_scans_bear_them_out() -> None:
    """Without a body catalogue and without a jaw scan, so that no imprint is known: their walls and roofs stay."""
    _, truth = drafts()
    seen = told()
    assert (seen.is_anew, seen.untold, seen.scans) == (False, "", ("tissue",))
    assert seen.against_ratio is not None
    assert seen.against_ratio < AGAINST_RATIO
    assert seen.borne_out_ratio > 0.5
    assert overlap(seen.is_impression, truth, areas()) > 0.99


def test_the_wrong_side_is_turned_over() -> None:
    _, truth = drafts()
    seen = told(~truth)
    assert seen.is_anew
    assert overlap(seen.is_impression, truth, areas()) > 0.98


def test_a_part_told_wrongly_is_put_right() -> None:
    """One end of the impression side was taken for the outer side."""
    draft, truth = drafts()[0]["denture"], drafts()[1]
    x = draft.vertices_mm[draft.faces].mean(axis=1)[:, 0]
    wrong = truth & (x < 15.0)
    assert overlap(wrong, truth, areas()) < 0.9
    seen = told(wrong)
    assert seen.is_anew
    assert overlap(seen.is_impression, truth, areas()) > 0.98


def test_the_positive_goes_by_the_scans() -> None:
    _, truth = drafts()
    first()
    positive = best_positive(bench(), "denture")
    chosen = np.zeros(len(truth), dtype=bool)
    chosen[positive.facets] = True
    assert overlap(chosen, truth, areas()) > 0.99


def test_a_denture_that_came_alone_is_not_measured_so() -> None:
    alone = CaseBench(bench().form, {"denture": _fresh()["denture"]}, {})
    made = next(m for m in alone.run((PARTED,), {}) if m.measure == PARTED.name)
    assert made.status is Status.NOT_MEASURED
    assert "no scan of the working jaw" in made.says


@pytest.mark.parametrize("need", [JOINT.name, SIDES.name])
def test_its_address_holds_what_it_rests_on(need: str) -> None:
    assert any(name.startswith(f"{need}@") for name in PARTED.chain)
