"""The portal's standing equipment, made once per process and handed to every service."""

from __future__ import annotations

from dataclasses import dataclass, field

from server.kit.clock import Clock
from server.kit.database import Database
from server.kit.file_store import FileStore
from server.kit.jobs import JobQueue
from server.kit.outward import Outward
from server.kit.settings import Settings


@dataclass(frozen=True)
class Portal:
    settings: Settings
    database: Database
    store: FileStore
    jobs: JobQueue
    clock: Clock
    outward: Outward = field(default_factory=Outward)
