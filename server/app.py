"""The portal as one ASGI application: wiring only."""

from __future__ import annotations

from fastapi import FastAPI
from starlette.staticfiles import StaticFiles

from server.kit.portal import Portal
from server.version import VERSION
from server.web.errors import install_error_answers
from server.web.headers import Headers
from server.web.pages.routes import router as pages
from server.web.rendering import STATIC
from server.web.tus import router as uploads


def build_app(portal: Portal) -> FastAPI:
    """The application over a portal whose database is up to date."""
    has_docs = portal.settings.show_api_docs
    app = FastAPI(
        title="Archproof",
        version=VERSION,
        docs_url="/api/docs" if has_docs else None,
        redoc_url=None,
        openapi_url="/api/v1/openapi.json",
    )
    app.state.portal = portal
    app.mount("/static", StaticFiles(directory=STATIC), name="static")
    app.include_router(pages)
    app.include_router(uploads)
    install_error_answers(app)
    app.add_middleware(Headers, is_secure=portal.settings.is_secure)
    return app
