"""The interface for programs, as people read it: made from its own description."""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any, ClassVar

from server.web.pages.parts import Frame


@dataclass(frozen=True, slots=True)
class ParameterView:
    name: str
    place: str
    says: str
    is_required: bool


@dataclass(frozen=True, slots=True)
class AnswerView:
    status: str
    says: str


@dataclass(frozen=True, slots=True)
class RouteView:
    anchor: str
    method: str
    path: str
    summary: str
    says: str
    parameters: tuple[ParameterView, ...]
    body_kind: str
    body_example: str
    answers: tuple[AnswerView, ...]


@dataclass(frozen=True, slots=True)
class RouteGroup:
    title: str
    says: str
    routes: tuple[RouteView, ...]


@dataclass(frozen=True, slots=True)
class InterfacePage:
    template: ClassVar[str] = "interface/interface.html"

    frame: Frame
    address: str
    says: tuple[str, ...]
    groups: tuple[RouteGroup, ...]


def interface_page(frame: Frame, address: str, document: Mapping[str, Any]) -> InterfacePage:
    """The page from an OpenAPI document."""
    groups = tuple(
        RouteGroup(tag["name"], tag["description"], _routes(document, tag["name"]))
        for tag in document["tags"]
    )
    says = tuple(document["info"]["description"].replace("`", "").strip().split("\n\n"))
    return InterfacePage(frame, address, says, groups)


def _routes(document: Mapping[str, Any], tag: str) -> tuple[RouteView, ...]:
    return tuple(
        _route(method.upper(), path, said)
        for path, methods in document["paths"].items()
        for method, said in methods.items()
        if tag in said["tags"]
    )


def _route(method: str, path: str, said: Mapping[str, Any]) -> RouteView:
    kind, example = _body(said.get("requestBody", {}))
    return RouteView(
        anchor=said["operationId"],
        method=method,
        path=path,
        summary=said["summary"],
        says=said.get("description", "").replace("`", ""),
        parameters=tuple(_parameter(p) for p in said.get("parameters", ()) if p["in"] != "path"),
        body_kind=kind,
        body_example=example,
        answers=tuple(
            AnswerView(
                status, "" if answer["description"] == "Successful Response" else answer["description"]
            )
            for status, answer in sorted(said["responses"].items())
        ),
    )


def _parameter(said: Mapping[str, Any]) -> ParameterView:
    words = said.get("description") or said["schema"].get("description", "")
    return ParameterView(said["name"], said["in"], words, bool(said.get("required")))


def _body(said: Mapping[str, Any]) -> tuple[str, str]:
    for kind, content in said.get("content", {}).items():
        example = content.get("example")
        return kind, json.dumps(example, indent=2, ensure_ascii=False) if example is not None else ""
    return "", ""
