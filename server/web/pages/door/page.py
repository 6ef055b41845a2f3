"""The door: signing in, and joining by a link."""

from __future__ import annotations

from dataclasses import dataclass
from typing import ClassVar

from server.web.pages.fields import FieldView
from server.web.pages.parts import Frame


@dataclass(frozen=True, slots=True)
class DemoAccount:
    """A demo account with its published password, offered only where the demo scenario runs. sees: what waits for that person,
    each in a sentence."""

    who: str
    place: str
    sees: tuple[str, ...]
    email: str
    password: str


@dataclass(frozen=True, slots=True)
class SignInPage:
    template: ClassVar[str] = "door/sign_in.html"

    frame: Frame
    email: FieldView
    password: FieldView
    onward: str
    wrong: str = ""
    demo: tuple[DemoAccount, ...] = ()


@dataclass(frozen=True, slots=True)
class JoinPage:
    """Accepting an invitation, or setting up the first administrator of a fresh installation."""

    template: ClassVar[str] = "door/join.html"

    frame: Frame
    action: str
    heading: str
    says: str
    fields: tuple[FieldView, ...]
    wrong: str = ""
