"""What a folder remembers of where it was sent, so that the same command goes on instead of beginning anew."""

from __future__ import annotations

import os
import uuid
from pathlib import Path

from pydantic import BaseModel, Field, ValidationError

NAME = ".archproof-sent.json"


class Sent(BaseModel):
    """portal: its address. key: makes opening the case safe to repeat. case: its id there, once open. uploads: by SHA-256
    of a file under way, where its bytes go."""

    portal: str
    key: str = Field(default_factory=lambda: uuid.uuid4().hex)
    case: str = ""
    uploads: dict[str, str] = {}


def recall(folder: Path, portal: str) -> Sent:
    """What the folder remembers of that portal; of another one it begins anew."""
    try:
        sent = Sent.model_validate_json((folder / NAME).read_bytes())
    except (FileNotFoundError, ValidationError):
        return Sent(portal=portal)
    return sent if sent.portal == portal else Sent(portal=portal)


def remember(folder: Path, sent: Sent) -> None:
    """Written whole or not at all."""
    beside = folder / f"{NAME}.part"
    with beside.open("w", encoding="utf-8") as file:
        file.write(sent.model_dump_json(indent=1))
        file.flush()
        os.fsync(file.fileno())
    beside.replace(folder / NAME)
