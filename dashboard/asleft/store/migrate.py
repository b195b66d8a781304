"""Brings the records store to the layout this version works with."""

from __future__ import annotations

import logging
from pathlib import Path
from typing import TYPE_CHECKING

from asleft.store.copying import CopyError, copy_before
from asleft.store.engine import make_engine, reading, writing
from sqlalchemy import Connection, Engine, inspect, text

if TYPE_CHECKING:
    from alembic.config import Config

log = logging.getLogger(__name__)

HEAD = "0013"
"""The newest migration; a test compares it with the files."""
_FROZEN_AFTER_S = 600.0
"""Nobody's agents hang on the rows of a migration, and on a starved machine its steps come seconds apart."""
_FOLDER = Path(__file__).parent / "migrations"


class MigrationError(Exception):
    """A records store that a newer version of the program laid out."""


def migrate(engine: Engine) -> None:
    """Apply what is missing, in one transaction; nothing is written where nothing is missing.

    Of a SQLite file a copy is kept beside it first. Raises `MigrationError` if the store is newer than this program,
    or no copy can be made.
    """
    with reading(engine) as connection:
        if current(connection) == HEAD:
            return
    with writing(engine, "migrations", frozen_after_s=_FROZEN_AFTER_S) as connection:
        found = current(connection)  # another process may have been faster
        if found == HEAD:
            return
        if found is not None and found not in known_versions():
            raise MigrationError(
                f"the records store is laid out as version {found}, this program knows versions up to {HEAD}: "
                "use the program that made it, or a newer one"
            )
        if found is not None and engine.dialect.name == "sqlite":
            _keep_copy(Path(str(engine.url.database)), found)
        from alembic import command  # late: where nothing is missing, nobody waits for it

        command.upgrade(configuration(connection), "head")


def known_versions() -> set[str]:
    """The layouts that this program can bring up to date."""
    return {path.stem.removeprefix("v") for path in (_FOLDER / "versions").glob("v*.py")}


def _keep_copy(path: Path, found: str) -> None:
    """The store as the program before knew it: the way back. Raises `MigrationError`, and nothing is changed."""
    try:
        kept = copy_before(path, found)
    except (CopyError, OSError) as error:
        raise MigrationError(f"before the layout is changed a copy is made, and that failed: {error}") from error
    log.warning("%s is brought from layout %s to %s; as it was it is kept as %s", path, found, HEAD, kept.name)


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
