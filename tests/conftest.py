"""For all tests: property tests search at random on a desk, and try the same examples in CI; a database server."""

from __future__ import annotations

import logging
import os
import sys
from collections import Counter
from collections.abc import Iterator
from pathlib import Path
from typing import TYPE_CHECKING

import pytest
from hypothesis import settings

sys.path.insert(0, str(Path(__file__).parent))

if TYPE_CHECKING:
    from plant_authority import Authority
    from postgres_server import PostgresServer

# No example has a deadline: on a busy machine any of them may take long.
settings.register_profile("desk", deadline=None)
settings.register_profile("ci", deadline=None, derandomize=True)
settings.load_profile("ci" if os.environ.get("CI") else "desk")

# What commands take for the machine's own zone, wherever the tests run.
os.environ["TZ"] = "UTC"


@pytest.fixture(autouse=True)
def logging_as_found() -> Iterator[None]:
    """Put back the handlers and the level that a command under test sets, else the next test hears them."""
    root = logging.getLogger()
    level, handlers = root.level, root.handlers[:]
    yield
    root.setLevel(level)
    # pytest's own handlers come and go by its own hooks; only those that were added are taken away.
    for handler in [each for each in root.handlers if each not in handlers and not _is_of_pytest(each)]:
        root.removeHandler(handler)


def pytest_terminal_summary(terminalreporter: pytest.TerminalReporter) -> None:
    """Say which servers of others were used, and which were not there and why: a skip must not go unseen.

    A test says what it used by the property `server`; one that is skipped for want of a server, "not here: ...".
    """
    used: Counter[str] = Counter()
    missing: Counter[str] = Counter()
    for outcome in ("passed", "failed"):
        for report in terminalreporter.stats.get(outcome, []):
            used.update(value for name, value in report.user_properties if name == "server" and report.when == "call")
    for report in terminalreporter.stats.get("skipped", []):
        reason = report.longrepr[2] if isinstance(report.longrepr, tuple) else ""
        if "not here: " in reason:
            missing[reason.partition("not here: ")[2]] += 1
    if used or missing:
        terminalreporter.section("servers of others")
        for server, count in sorted(used.items()):
            terminalreporter.line(f"used: {server} ({count} tests)")
        for why, count in sorted(missing.items()):
            terminalreporter.line(f"NOT used: {why} ({count} tests skipped)")


@pytest.fixture(autouse=True)
def counted_servers(request: pytest.FixtureRequest) -> None:
    """What a module says by `SERVERS` (fixture -> server and version) of those that its tests use."""
    for fixture, server in getattr(request.module, "SERVERS", {}).items():
        if fixture in request.fixturenames:
            request.node.user_properties.append(("server", server))


def _is_of_pytest(handler: logging.Handler) -> bool:
    return type(handler).__module__.startswith("_pytest.")


@pytest.fixture(scope="session")
def postgres(tmp_path_factory: pytest.TempPathFactory) -> Iterator[PostgresServer]:
    """A real PostgreSQL, started when a test first asks for it."""
    from postgres_server import PostgresServer

    server = PostgresServer(tmp_path_factory.mktemp("postgres")).start()
    yield server
    server.stop()


@pytest.fixture(scope="session")
def authorities(tmp_path_factory: pytest.TempPathFactory) -> tuple[Authority, Authority]:
    """Of two plants, neither of which trusts the other."""
    from plant_authority import make_authority

    folder = tmp_path_factory.mktemp("authorities")
    return make_authority(folder / "ours"), make_authority(folder / "other")


@pytest.fixture(scope="session")
def postgres_tls(
    tmp_path_factory: pytest.TempPathFactory, authorities: tuple[Authority, Authority]
) -> Iterator[PostgresServer]:
    """A PostgreSQL that takes nobody without TLS, with a certificate of the first authority."""
    from postgres_server import PostgresServer

    server = PostgresServer(tmp_path_factory.mktemp("postgres-tls"), authorities[0]).start()
    yield server
    server.stop()
