"""The portal as one ASGI application, and its standing equipment: wiring only."""

from __future__ import annotations

from collections.abc import AsyncIterator, Callable, Iterator, Mapping
from contextlib import ExitStack, asynccontextmanager, contextmanager
from typing import Any

from fastapi import FastAPI
from starlette.concurrency import run_in_threadpool
from starlette.staticfiles import StaticFiles

from server.handoff import packing
from server.inspection import previews
from server.inspection import tables as _inspection_tables  # noqa: F401 - known to the database before it is opened
from server.inspection.jobs import children_of, doings
from server.inspection.upkeep import Upkeep
from server.kit.clock import Clock
from server.kit.database import Database
from server.kit.file_store import FileStore
from server.kit.jobs import Doing, DurableQueue, Job, JobEngine, prepare_job_tables
from server.kit.portal import Portal
from server.kit.schema import upgrade_schema
from server.kit.settings import Settings
from server.notices import sending
from server.uploads.finishing import finish_what_a_crash_left
from server.version import VERSION
from server.web.api.routes import router as interface
from server.web.body_limit import BodyLimit
from server.web.errors import install_error_answers
from server.web.headers import Headers
from server.web.pages.routes import router as pages
from server.web.rendering import STATIC


def open_portal(settings: Settings, clock: Clock | None = None) -> Portal:
    """Database, store and job queue under these settings, the tables brought up to date."""
    settings.data_dir.mkdir(parents=True, exist_ok=True)
    database = Database(settings.database)
    upgrade_schema(database)
    prepare_job_tables(settings.database)
    store = FileStore(settings.store, settings.scratch_dir)
    return Portal(settings, database, store, DurableQueue(settings.database), clock or Clock())


def build_app(portal: Portal) -> FastAPI:
    """The application over an open portal. With `run_worker` it measures in its own process tree."""
    app = FastAPI(title="Archproof", version=VERSION, openapi_url=None, lifespan=_lifespan)
    app.state.portal = portal
    app.mount("/static", StaticFiles(directory=STATIC), name="static")
    app.include_router(pages)
    app.include_router(interface)
    install_error_answers(app)
    app.add_middleware(BodyLimit, max_bytes=portal.settings.max_body_bytes)
    app.add_middleware(Headers, is_secure=portal.settings.is_secure)
    return app


@asynccontextmanager
async def _lifespan(app: FastAPI) -> AsyncIterator[None]:
    portal: Portal = app.state.portal
    with ExitStack() as equipment:
        if portal.settings.run_worker:
            await run_in_threadpool(equipment.enter_context, working(portal))
        await run_in_threadpool(finish_what_a_crash_left, portal)
        yield


def work_of(portal: Portal, run: Callable[..., Any]) -> Mapping[Job, Doing]:
    """What each kind of job does. `run`: how a measuring function is run."""
    return {
        **doings(portal, run),
        **packing.doings(portal, run),
        **previews.doings(portal, run),
        **sending.doings(portal),
    }


@contextmanager
def working(portal: Portal) -> Iterator[None]:
    """Takes jobs in this process while the block runs; measuring itself happens in supervised children."""
    settings = portal.settings
    with children_of(settings) as children:
        engine = JobEngine(settings.database, settings.executor_id, work_of(portal, children.run))
        engine.start(poll_s=settings.job_poll_s, heavy_at_once=settings.measuring_processes)
        try:
            with Upkeep(portal, engine):
                yield
        finally:
            engine.stop()
