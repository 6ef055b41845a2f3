"""All pages in one router."""

from __future__ import annotations

from fastapi import APIRouter

from server.web.pages.catalogue import routes as catalogue
from server.web.pages.chair import routes as chair
from server.web.pages.door import routes as door
from server.web.pages.form import routes as form
from server.web.pages.home import routes as home
from server.web.pages.house import routes as house
from server.web.pages.interface import routes as interface
from server.web.pages.notices import routes as notices
from server.web.pages.queue import routes as queue
from server.web.pages.review import plate_routes as plate
from server.web.pages.review import routes as review
from server.web.pages.shots import routes as shots

router = APIRouter(include_in_schema=False)
for part in (
    door.router,
    door.guarded,
    home.router,
    home.guarded,
    queue.router,
    form.router,
    form.guarded,
    chair.router,
    chair.guarded,
    review.router,
    plate.router,
    shots.router,
    review.guarded,
    house.router,
    house.guarded,
    notices.router,
    notices.guarded,
    catalogue.router,
    interface.router,
):
    router.include_router(part)
