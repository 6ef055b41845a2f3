"""Runs the portal on an address, and says which."""

from __future__ import annotations

import socket
import threading

import typer
import uvicorn

from seed_data.demo import load_scenario
from server.accounts.invitations import first_administrator_link
from server.app import build_app, open_portal
from server.demo import PASSWORD, load_bodies, load_cases, load_people
from server.kit.logs import log
from server.kit.portal import Portal
from server.kit.settings import Settings
from server.web.pages.door.page import DemoAccount


def serve_portal(settings: Settings) -> None:
    """Serves until interrupted. A port of 0 becomes a free one before anything else learns of it."""
    listener = _listener(settings)
    settings = settings.model_copy(update={"port": listener.getsockname()[1]})
    portal = open_portal(settings)
    app = build_app(portal)
    if settings.demo:
        app.state.demo_accounts = _demo(portal)
    else:
        link = first_administrator_link(portal)
        if link:
            typer.echo(f"First administrator, once only: {link}")
    typer.echo(f"Archproof listens on {settings.address}  (stop with Ctrl+C)")
    config = uvicorn.Config(app, log_level="warning", access_log=False, timeout_graceful_shutdown=5)
    uvicorn.Server(config).run(sockets=[listener])


def _listener(settings: Settings) -> socket.socket:
    family = socket.AF_INET6 if ":" in settings.host else socket.AF_INET
    listener = socket.socket(family)
    listener.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
    try:
        listener.bind((settings.host, settings.port))
    except OSError as error:
        listener.close()
        raise OSError(
            f"port {settings.port} on {settings.host} is taken; choose another with --port"
        ) from error
    return listener


def _demo(portal: Portal) -> tuple[DemoAccount, ...]:
    load_people(portal)

    def play() -> None:
        try:
            load_bodies(portal)
            load_cases(portal)
        except Exception as fault:  # noqa: BLE001 - the portal itself goes on
            log().error("the demo could not be played to its end", exc_info=fault)

    threading.Thread(target=play, name="demo", daemon=True).start()
    return demo_accounts()


def demo_accounts() -> tuple[DemoAccount, ...]:
    """Whom a visitor of the demo may be, and what waits for each."""
    scenario = load_scenario()
    names = {o.key: o.name for o in (scenario.lab, *scenario.clinics)}
    return tuple(
        DemoAccount(
            who=person.name,
            place=names[person.organisation],
            sees=tuple(f"{c.patient_code}: {c.story}" for c in scenario.cases if c.author == person.email)
            or (person.does,),
            email=person.email,
            password=PASSWORD,
        )
        for person in scenario.people
    )
