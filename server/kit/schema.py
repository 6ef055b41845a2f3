"""Brings the database's tables up to date when the portal starts, and makes new ones."""

from __future__ import annotations

from pathlib import Path

from alembic import command
from alembic.config import Config
from alembic.script import ScriptDirectory
from sqlalchemy import Connection

from server.errors import ArchproofError
from server.kit.database import Database

MIGRATIONS = Path(__file__).parent / "migrations"
VERSION_TABLE = "archproof_schema"


class SchemaTooNew(ArchproofError):
    """The database was written by a later version of the program; this one leaves it alone."""

    code = "schema-too-new"


def upgrade_schema(database: Database) -> None:
    """Runs the migrations that are missing, in one transaction. Raises SchemaTooNew."""
    with database.engine.execution_options(archproof_writes=True).begin() as connection:
        config = migration_config(connection)
        known = {script.revision for script in ScriptDirectory.from_config(config).walk_revisions()}
        at = _revision(connection)
        if at is not None and at not in known:
            raise SchemaTooNew(f"The database is at schema {at}, which this version does not know.")
        command.upgrade(config, "head")


def migration_config(connection: Connection) -> Config:
    config = Config()
    config.set_main_option("script_location", str(MIGRATIONS))
    config.attributes["connection"] = connection
    return config


def _revision(connection: Connection) -> str | None:
    if not connection.dialect.has_table(connection, VERSION_TABLE):
        return None
    revision: str | None = connection.exec_driver_sql(f"select version_num from {VERSION_TABLE}").scalar()
    return revision
