"""Run the migrations on an open connection."""

from __future__ import annotations

from pathlib import Path

from alembic import command
from alembic.config import Config
from sqlalchemy.engine import Connection

FOLDER = Path(__file__).parent


def configuration(connection: Connection | None = None) -> Config:
    """Alembic's configuration for the scripts in this package."""
    config = Config()
    config.set_main_option("script_location", str(FOLDER).replace("%", "%%"))
    config.set_main_option("path_separator", "os")
    config.attributes["connection"] = connection
    return config


def upgrade(connection: Connection, revision: str = "head") -> None:
    """Bring the tables to `revision` within the transaction that `connection` is in."""
    command.upgrade(configuration(connection), revision)


def downgrade(connection: Connection, revision: str) -> None:
    """Take the tables back to an earlier `revision`; ``base`` is none."""
    command.downgrade(configuration(connection), revision)
