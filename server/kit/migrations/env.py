"""Alembic's entry: migrates over the connection it is handed, leaving the job engine's tables alone."""

from __future__ import annotations

from typing import Any

from alembic import context
from sqlalchemy import Connection
from sqlmodel import SQLModel

from server.kit.schema import VERSION_TABLE

target_metadata = SQLModel.metadata


def is_ours(_thing: Any, name: str | None, kind: str, _reflected: bool, _compare_to: Any) -> bool:
    """Whether a table is one of the portal's own; what hangs on a table goes with it."""
    return kind != "table" or name in target_metadata.tables


def migrate(connection: Connection) -> None:
    context.configure(
        connection=connection,
        target_metadata=target_metadata,
        version_table=VERSION_TABLE,
        include_object=is_ours,
        render_as_batch=True,
        compare_type=True,
    )
    with context.begin_transaction():
        context.run_migrations()


migrate(context.config.attributes["connection"])
