"""One request of a program: the portal and who asks."""

from __future__ import annotations

from contextlib import AbstractContextManager
from dataclasses import dataclass
from typing import Annotated

from fastapi import Depends, Request

from server.accounts.work import Actor, Work, reading, writing
from server.kit.portal import Portal
from server.web.asking import Asking
from server.web.session import portal_of


@dataclass(frozen=True)
class Ask:
    portal: Portal
    actor: Actor

    def reading(self) -> AbstractContextManager[Work]:
        """Work that only looks."""
        return reading(self.portal, self.actor)

    def writing(self) -> AbstractContextManager[Work]:
        """Work that is committed when the block ends well."""
        return writing(self.portal, self.actor)


def _ask(request: Request, actor: Asking) -> Ask:
    return Ask(portal_of(request), actor)


Asked = Annotated[Ask, Depends(_ask)]
