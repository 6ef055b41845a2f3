"""The demo's bodies in a portal's catalogue."""

from __future__ import annotations

from pathlib import Path

from sqlmodel import select

from seed_data.demo import load_scenario
from server.accounts.tables import Person
from server.accounts.work import PORTAL, reading
from server.app import open_portal
from server.cases.bodies import CatalogueBody, current_bodies
from server.demo import load_bodies, load_people
from server.kit.settings import Settings
from server.uploads.finishing import blob_key


def test_the_labs_bodies_are_added_once_by_one_of_its_people(tmp_path: Path) -> None:
    portal = open_portal(Settings(data_dir=tmp_path, demo=True))
    load_people(portal)
    load_bodies(portal)
    load_bodies(portal)
    scenario = load_scenario()
    with reading(portal, PORTAL) as work:
        rows = list(work.session.exec(select(CatalogueBody)))
        assert {r.body_id: r.said for r in current_bodies(work)} == {
            body.entry.id: body.entry for body in scenario.bodies
        }
        adders = {work.session.get_one(Person, r.added_by or "").email for r in rows}
    assert len(rows) == 3
    assert adders <= {p.email for p in scenario.people if p.organisation == scenario.lab.key}
    for body in scenario.bodies:
        row = next(r for r in rows if r.body_id == body.entry.id)
        assert portal.store.read(blob_key(row.mesh_sha256)) == body.load()
    portal.database.close()
