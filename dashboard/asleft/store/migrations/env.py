"""Read by alembic: the connection comes from the program, which has begun a transaction on it."""

from __future__ import annotations

from alembic import context
from asleft.store.tables import metadata

context.configure(connection=context.config.attributes["connection"], target_metadata=metadata)
context.run_migrations()
