"""Looking at a body that is offered to the catalogue, as a measuring child does."""

from __future__ import annotations

from pathlib import Path

from server.measures.body_set import ready_body
from server.records.bodies import BodyEntry


def check_body(entry: BodyEntry, path: str) -> None:
    """Makes the body ready as measuring would. Raises BodyUnusable, saying what to mend."""
    ready_body(entry, Path(path).read_bytes())
