"""Brings the records store to the layout this version works with."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

from asleft.store.engine import make_engine, reading, writing
from sqlalchemy import Connection, Engine, inspect, text

if TYPE_CHECKING:
    from alembic.config import Config

HEAD = "0008"
"""The newest migration; a test compares it with the files."""
_FOLDER = Path(__file__).parent / "migrations"


class MigrationError(Exception):
    """A records store that a newer version of the program laid out."""


def migrate(engine: Engine) -> None:
    """Apply what is missing, in one transaction; nothing is written where nothing is missing.

    Raises `MigrationError` if the store is newer than this program.
    """
    with reading(engine) as connection:
        if current(connection) == HEAD:
            return
    with writing(engine, "migrations") as connection:
        found = current(connection)  # another process may have been faster
        if found == HEAD:
            return
        if found is not None and not (_FOLDER / "versions" / f"v{found}.py").exists():
            raise MigrationError(
                f"the records store is laid out as version {found}, this program knows versions up to {HEAD}: "
                "use the program that made it, or a newer one"
            )
        from alembic import command  # late: where nothing is missing, nobody waits for it

        command.upgrade(configuration(connection), "head")


def migrated_engine(where: Path | str) -> Engine:
    """An engine for a records store, a SQLite file (made if need be) or a URL, its layout brought up to date.

    Raises `MigrationError` for a store of a newer program.
    """
    engine = make_engine(where)
    try:
        migrate(engine)
    except BaseException:
        engine.dispose()
        raise
    return engine


def current(connection: Connection) -> str | None:
    """The migration the store stands at; None for an empty store."""
    if not inspect(connection).has_table("alembic_version"):
        return None
    return connection.execute(text("SELECT version_num FROM alembic_version")).scalar()


def configuration(connection: Connection) -> Config:
    """What alembic needs to work on an open connection."""
    from alembic.config import Config

    config = Config()
    config.set_main_option("script_location", str(_FOLDER).replace("%", "%%"))
    config.attributes["connection"] = connection
    return config
