"""A worker apart from the web: takes jobs until it is told to stop."""

from __future__ import annotations

import signal
import threading

from server.app import open_portal, working
from server.kit.settings import Settings


def run_worker(settings: Settings) -> None:
    """Measures until SIGTERM or SIGINT; what is under way then is taken up again after the next start."""
    stopped = threading.Event()
    for number in (signal.SIGTERM, signal.SIGINT):
        signal.signal(number, lambda *_: stopped.set())
    portal = open_portal(settings)
    with working(portal):
        stopped.wait()
    portal.database.close()
