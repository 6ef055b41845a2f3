"""A portal of its own for the browser tests: `python -m tests.browser.portal FOLDER PORT`, with two invented accounts."""

from __future__ import annotations

import sys
from pathlib import Path

import uvicorn

from server.accounts.passwords import hash_password
from server.accounts.people import add_organisation, add_person, find_lab
from server.accounts.tables import OrganisationKind, PersonRole
from server.accounts.work import PORTAL, writing
from server.app import build_app, open_portal
from server.kit.logs import configure_logs
from server.kit.portal import Portal
from server.kit.settings import Settings

PASSWORD = "a weir below the mill"
CLINIC_EMAIL = "ada@weir.example"
LAB_EMAIL = "imke@arches.example"


def add_accounts(portal: Portal) -> None:
    """One clinic with one person, and an administrator of the lab."""
    password_hash = hash_password(PASSWORD)
    with writing(portal, PORTAL) as work:
        lab = find_lab(work) or add_organisation(work, OrganisationKind.LAB, "Arches & Sons")
        clinic = add_organisation(work, OrganisationKind.CLINIC, "Weir Lane Dental")
        work.session.flush()
        add_person(work, clinic, PersonRole.CLINIC, CLINIC_EMAIL, "Ada Brandt", password_hash)
        add_person(work, lab, PersonRole.ADMINISTRATOR, LAB_EMAIL, "Imke Sorel", password_hash)


def main(folder: str, port: str) -> None:
    settings = Settings(data_dir=Path(folder), host="127.0.0.1", port=int(port))
    configure_logs("WARNING")
    portal = open_portal(settings)
    add_accounts(portal)
    uvicorn.run(build_app(portal), host=settings.host, port=settings.port, log_config=None)


if __name__ == "__main__":
    main(*sys.argv[1:])
