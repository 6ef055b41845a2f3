"""The room above implants on a whole mouth whose truth is known, by each source of positions that there is."""

from __future__ import annotations

from functools import cache

import numpy as np
import pytest

from seed_data.phantoms.phantom import write_bodies
from seed_data.phantoms.telling import truth_of
from seed_data.phantoms.truth import PhantomTruth
from server.inspection.folder import read_bodies
from server.measures.arch_spread import SPREAD, ArchResult
from server.measures.bench import RecordBench
from server.measures.body_set import BodySet
from server.measures.case_bench import CaseBench
from server.measures.governing import Source
from server.measures.measure import Measurement, Status
from server.measures.space import SPACE, SpaceResult
from server.measures.walls import WALLS, WallsResult
from server.metrology.space.outer_face import Face
from server.records.case_form import CaseForm
from server.records.roles import Role
from server.records.teeth import Arch
from tests.inspection.spoiling import light_mouth

NEEDED = (Role.DENTURE, Role.OPPOSING, Role.BITE)
JAW_AND_POSITIONS = frozenset({Role.JAW, Role.MARKERS})


@pytest.fixture(scope="module")
def bodies(tmp_path_factory: pytest.TempPathFactory) -> BodySet:
    folder = tmp_path_factory.mktemp("bodies")
    write_bodies(folder)
    return read_bodies(folder)


@cache
def _made(kept: frozenset[Role], bodies: BodySet) -> tuple[PhantomTruth, dict[str, Measurement]]:
    work = light_mouth(Arch.LOWER).in_random_frames().scanned
    form = CaseForm.model_validate(work.form)
    form = form.model_copy(update={"records": tuple(r for r in form.records if r.role in {*kept, *NEEDED})})
    data = {plan.name: plan.data for plan in work.files.values()}
    benches = {
        e.file: RecordBench(data[e.file], file_name=e.file, role=e.role, unit=e.unit, bodies=bodies)
        for e in form.records
    }
    made = CaseBench(form, benches, {}).run((SPACE, WALLS, SPREAD), {})
    assert all(m.status is Status.MEASURED for m in made), [m.says for m in made]
    return truth_of(work), {m.measure: m for m in made}


@pytest.mark.parametrize(
    ("kept", "source"),
    [
        (JAW_AND_POSITIONS, Source.MARKERS),
        (frozenset({Role.JAW}), Source.JAW),
        (frozenset({Role.MARKERS}), Source.MARKERS),
        (frozenset(), Source.IMPRINTS),
    ],
    ids=["positions on the jaw", "the jaw's bodies", "positions on imprints", "imprints alone"],
)
def test_lengths_are_true_and_their_source_is_named(
    kept: frozenset[Role], source: Source, bodies: BodySet
) -> None:
    truth, made = _made(kept, bodies)
    told = SpaceResult.model_validate(made[SPACE.name].result)
    assert [room.site_index for room in told.sites] == [site.site_index for site in truth.sites]
    for room, site in zip(told.sites, truth.sites, strict=True):
        assert room.source is source
        assert room.thickness_mm is not None
        assert room.u95_thickness_mm is not None
        assert site.seat_to_outer_mm is not None
        assert abs(room.thickness_mm - site.seat_to_outer_mm) < 0.02 + room.u95_thickness_mm < 0.3
        assert room.opposing_mm is not None
        assert room.u95_opposing_mm is not None
        assert site.seat_to_opposing_mm is not None
        assert abs(room.opposing_mm - site.seat_to_opposing_mm) < 0.01 + room.u95_opposing_mm < 0.5
        assert room.face in (Face.INNER, Face.CHEWING)


def test_walls_and_spread_of_the_same_mouth(bodies: BodySet) -> None:
    """Walls as planned: resin of the mouth's own cover around every body. Spread by the true seats, front and back as they lie
    in the joint frame."""
    truth, made = _made(JAW_AND_POSITIONS, bodies)
    cover = light_mouth(Arch.LOWER).scanned.mouth.denture.cover_mm
    walls = WallsResult.model_validate(made[WALLS.name].result).sites
    assert all(abs((w.wall_mm or 0.0) - cover) < 0.12 for w in walls)
    arch = ArchResult.model_validate(made[SPREAD.name].result)
    seats = np.array([site.seat_mm for site in truth.sites])[:, :2]
    by_site = {site.site_index: k for k, site in enumerate(truth.sites)}
    one, two = (seats[by_site[k]] for k in arch.ends)
    along = (two - one) / np.linalg.norm(two - one)
    true = np.abs((seats - one) @ np.array([-along[1], along[0]])).max()
    assert arch.spread_centres_mm is not None
    assert arch.u95_spread_mm is not None
    assert abs(arch.spread_centres_mm - true) < arch.u95_spread_mm
    assert [o.n_crowns for o in arch.overhangs] == [0, 0]
