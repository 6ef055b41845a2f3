"""The pictures of a report, by the names that its findings give."""

from __future__ import annotations

from fastapi import APIRouter
from fastapi.responses import Response

from server.cases.lookup import current_round, find_case
from server.errors import NotFound
from server.explain.figures import png_of, svg_of
from server.inspection.judgements import report_of
from server.web.api.ask import Asked
from server.web.api.cases import PATH
from server.web.api.problems import refusals

router = APIRouter(prefix=PATH, tags=["Verdict"])
_IMAGES: dict[str, dict[str, str]] = {"image/png": {}, "image/svg+xml": {}}


class NoSuchPicture(NotFound):
    """The report on the round at hand has no picture of that name."""

    code = "no-such-picture"


@router.get(
    "/{case_id}/pictures/{name}",
    summary="A picture",
    response_class=Response,
    responses={200: {"content": _IMAGES}, **refusals(404)},
)
def picture(asked: Asked, case_id: str, name: str) -> Response:
    """Of what findings rest on: the name is a finding's picture, or of one of the report's figures with .png or .svg
    after it. Numbers to draw it by are in the report's figures."""
    stem, _, form = name.rpartition(".")
    with asked.reading() as work:
        report = report_of(work, current_round(work, find_case(work, case_id)))
    figure = report.figures.named(stem) if report else None
    if figure is None or form not in ("png", "svg"):
        raise NoSuchPicture("The report on this case has no picture of that name.")
    headers = {"Content-Security-Policy": "sandbox; default-src 'none'", "Cache-Control": "no-store"}
    if form == "png":
        return Response(png_of(figure), media_type="image/png", headers=headers)
    return Response(svg_of(figure), media_type="image/svg+xml", headers=headers)
