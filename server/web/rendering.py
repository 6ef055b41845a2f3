"""From a page object to HTML. A template sees its page and nothing else; what a page lacks is an error, not a blank."""

from __future__ import annotations

from collections.abc import Mapping
from functools import lru_cache
from pathlib import Path
from typing import Any, ClassVar, Protocol

from fastapi.responses import HTMLResponse
from jinja2 import Environment, FileSystemLoader, StrictUndefined, select_autoescape

ROOT = Path(__file__).resolve().parents[2]
TEMPLATES = ROOT / "templates"
STATIC = ROOT / "static"


class Page(Protocol):
    """A page: a frozen dataclass that names its template. Its fields are all that the template may touch."""

    template: ClassVar[str]


@lru_cache(maxsize=1)
def environment() -> Environment:
    """The one template environment: escaped, strict, without loaders from anywhere else."""
    return Environment(
        loader=FileSystemLoader(TEMPLATES),
        autoescape=select_autoescape(default=True, default_for_string=True),
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
        auto_reload=False,
    )


def html(page: Page) -> str:
    """The whole page as text."""
    return environment().get_template(page.template).render(page=page)


def part_html(page: Page, part: str) -> str:
    """One partial of the page as text; `part` is a template whose name starts with `_`."""
    name = part.rsplit("/", 1)[-1]
    if not name.startswith("_"):
        raise ValueError(f"{part} is not a partial")
    return environment().get_template(part).render(page=page)


def render(page: Page, *, status: int = 200, headers: Mapping[str, str] | None = None) -> HTMLResponse:
    """The whole page as a response that no cache keeps."""
    return HTMLResponse(html(page), status_code=status, headers=_headers(headers))


def render_part(
    page: Page, part: str, *, status: int = 200, headers: Mapping[str, str] | None = None
) -> HTMLResponse:
    """One partial of the page as a response, for a swap in place."""
    return HTMLResponse(part_html(page, part), status_code=status, headers=_headers(headers))


def _headers(more: Mapping[str, str] | None) -> dict[str, Any]:
    return {"Cache-Control": "no-store", **(more or {})}
