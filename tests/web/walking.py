"""Every route of the application, also those in routers within routers."""

from __future__ import annotations

from collections.abc import Iterable, Iterator

from fastapi import FastAPI
from fastapi.routing import APIRoute
from starlette.routing import BaseRoute, Mount


def routes_of(app: FastAPI) -> set[tuple[str, str]]:
    """Method and path of each. Raises TypeError at a kind of route that is not known here."""
    return {(method, path) for path, methods in _walk(app.routes) for method in methods}


def _walk(routes: Iterable[BaseRoute]) -> Iterator[tuple[str, frozenset[str]]]:
    for route in routes:
        inner = getattr(route, "original_router", None)
        if inner is not None:
            yield from _walk(inner.routes)
        elif isinstance(route, APIRoute):
            yield route.path, frozenset(route.methods)
        elif isinstance(route, Mount):
            yield route.path + "/{path}", frozenset({"GET"})
        else:
            raise TypeError(f"a route of another kind: {route!r}")
