"""The database: SQLite in one file, or PostgreSQL by URL, through the same code.

SQLite: write-ahead log, synchronous FULL (a commit is on disk before it is answered), foreign keys, and writers that
take the lock at once (BEGIN IMMEDIATE), so that no transaction fails half-way because another one wrote first.
"""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

from sqlalchemy import Connection, Engine, create_engine, event, make_url, text
from sqlmodel import Session

BUSY_TIMEOUT_MS = 30_000
_WRITES = "archproof_writes"


class Database:
    """Sessions on one database. A session is one transaction: committed at the edge, rolled back on any error."""

    def __init__(self, url: str, *, pool_size: int = 20) -> None:
        self.url = url
        self.is_sqlite = make_url(url).get_backend_name() == "sqlite"
        self.engine = _sqlite_engine(url, pool_size) if self.is_sqlite else _server_engine(url, pool_size)
        self._writer = self.engine.execution_options(**{_WRITES: True})

    @contextmanager
    def reading(self) -> Iterator[Session]:
        """A session that sees one state of the database and writes nothing."""
        with Session(self.engine, expire_on_commit=False, autoflush=False) as session:
            yield session
            session.expunge_all()

    @contextmanager
    def writing(self) -> Iterator[Session]:
        """A session that commits when the block ends well."""
        with Session(self._writer, expire_on_commit=False) as session, session.begin():
            yield session

    def is_ready(self) -> bool:
        """Whether a query is answered. Raises what the driver raises where it is not."""
        with self.engine.connect() as connection:
            return bool(connection.execute(text("select 1")).scalar_one() == 1)

    def close(self) -> None:
        self.engine.dispose()


def _server_engine(url: str, pool_size: int) -> Engine:
    return create_engine(url, pool_size=pool_size, max_overflow=10, pool_pre_ping=True)


def _sqlite_engine(url: str, pool_size: int) -> Engine:
    path = make_url(url).database
    if path and path != ":memory:":
        Path(path).parent.mkdir(parents=True, exist_ok=True)
    engine = create_engine(url, pool_size=pool_size, max_overflow=10)
    event.listen(engine, "connect", _prepare_connection)
    event.listen(engine, "begin", _begin)
    return engine


def _prepare_connection(connection: Any, _record: Any) -> None:
    connection.isolation_level = None  # transactions are begun by _begin, not by the driver
    cursor = connection.cursor()
    for pragma in (
        "journal_mode = WAL",
        "synchronous = FULL",
        "foreign_keys = ON",
        f"busy_timeout = {BUSY_TIMEOUT_MS}",
        "secure_delete = ON",
    ):
        cursor.execute(f"PRAGMA {pragma}")
    cursor.close()


def _begin(connection: Connection) -> None:
    writes = connection.get_execution_options().get(_WRITES, False)
    connection.exec_driver_sql("BEGIN IMMEDIATE" if writes else "BEGIN")
