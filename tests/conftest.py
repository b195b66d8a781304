"""For all tests: property tests search at random on a desk, and try the same examples in CI; a database server."""

from __future__ import annotations

import os
import sys
from collections.abc import Iterator
from pathlib import Path
from typing import TYPE_CHECKING

import pytest
from hypothesis import settings

sys.path.insert(0, str(Path(__file__).parent))

if TYPE_CHECKING:
    from postgres_server import PostgresServer

# No example has a deadline: on a busy machine any of them may take long.
settings.register_profile("desk", deadline=None)
settings.register_profile("ci", deadline=None, derandomize=True)
settings.load_profile("ci" if os.environ.get("CI") else "desk")


@pytest.fixture(scope="session")
def postgres(tmp_path_factory: pytest.TempPathFactory) -> Iterator[PostgresServer]:
    """A real PostgreSQL, started when a test first asks for it."""
    from postgres_server import PostgresServer

    server = PostgresServer(tmp_path_factory.mktemp("postgres")).start()
    yield server
    server.stop()
