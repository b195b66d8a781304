"""The option that gives a program an address for machines that watch, the same for recorder and dashboard."""

from __future__ import annotations

import argparse
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from typing import TYPE_CHECKING

from asleft.cli.errors import UserError

if TYPE_CHECKING:
    from prometheus_client.registry import Collector

ABOUT = """\
being watched (--metrics)
  Answers at HOST:PORT, to whoever can reach it and without accounts: /healthz
  (does it work, else restart it), /readyz (or does it wait for somebody else)
  with ok or not ok and nothing else, and /metrics for Prometheus and whatever
  reads its text format. compose/README.md lists names and units. Without the
  option nothing listens.
"""


def add_metrics_argument(parser: argparse.ArgumentParser) -> None:
    """Declare `--metrics`."""
    parser.add_argument(
        "--metrics", metavar="HOST:PORT", help="address that answers /metrics, /healthz and /readyz (default: none)"
    )


@contextmanager
def watched(
    address: str | None, collector: Callable[[], Collector], healthy: Callable[[], bool], ready: Callable[[], bool]
) -> Iterator[None]:
    """Serve the address meanwhile, if there is one. Raises `UserError` for one that cannot be served."""
    if address is None:
        yield
        return
    from asleft.monitoring.endpoint import BadAddress, Endpoint

    try:
        endpoint = Endpoint(address, collector(), healthy, ready)
    except BadAddress as error:
        raise UserError(f"--metrics {error}") from error
    try:
        yield
    finally:
        endpoint.close()
