"""For machines that watch: probes, figures as Prometheus families, signs of life for the service manager."""

from __future__ import annotations

import http.client
import logging
import socket
import threading
import time
from collections.abc import Iterator

from asleft.monitoring.service_manager import ServiceManager
from asleft.store.access import AccessStore
from asleft.web.availability import Availability, Place, Unreachable
from flask import Flask, Response, g
from prometheus_client import CollectorRegistry, Counter, Histogram
from prometheus_client.core import GaugeMetricFamily, InfoMetricFamily, Metric
from prometheus_client.registry import Collector


def register(server: Flask, store: AccessStore, availability: Availability) -> None:
    """Add the two routes. Nothing is asked of a store that is known to be away."""

    @server.get("/healthz")
    def _healthz() -> Response:
        return _answer(good=True)  # who gets this answer has had a thread for it

    @server.get("/readyz")
    def _readyz() -> Response:
        return _answer(good=ready(store, availability))


def ready(store: AccessStore, availability: Availability) -> bool:
    """Whether both stores can be reached."""
    try:
        with availability.asking(Place.RECORDS, store.accounts.any):
            store.accounts.any()
    except Unreachable:
        return False
    return not availability.away()


def _answer(*, good: bool) -> Response:
    return Response("ok\n" if good else "not ok\n", 200 if good else 503, mimetype="text/plain")


# The dashboard's figures for a machine that collects them, as Prometheus families. Names and units are a promise.

_BOUNDS_S = (0.01, 0.03, 0.1, 0.3, 1.0, 3.0, 10.0, 30.0)


class DashboardCollector(Collector):
    """Counts what one application answers, from its making on."""

    def __init__(self, server: Flask, availability: Availability, version: str) -> None:
        self._availability, self._version = availability, version
        self._registry = CollectorRegistry()
        answers = Counter(
            "asleft_dashboard_answers",
            "Requests answered, by the first digit of their status.",
            ["status"],
            registry=self._registry,
        )
        took = Histogram(
            "asleft_dashboard_answer_seconds",
            "From a request's arrival at a thread to its answer.",
            registry=self._registry,
            buckets=_BOUNDS_S,
        )

        @server.before_request
        def _begin() -> None:
            g.asked_at_s = time.perf_counter()

        @server.after_request
        def _end(response: Response) -> Response:
            answers.labels(f"{response.status_code // 100}xx").inc()
            if "asked_at_s" in g:  # an earlier door may have answered
                took.observe(time.perf_counter() - g.asked_at_s)
            return response

    def collect(self) -> Iterator[Metric]:
        """The families."""
        info = InfoMetricFamily("asleft_dashboard", "The dashboard's version.")
        info.add_metric([], {"version": self._version})
        yield info
        away = {lost.place for lost in self._availability.away()}
        reachable = GaugeMetricFamily(
            "asleft_dashboard_store_reachable", "1 while this store can be reached, else 0.", labels=["store"]
        )
        for place in Place:
            reachable.add_metric([place.value], place not in away)
        yield reachable
        yield from self._registry.collect()


# Signs of life for the service manager, given while the dashboard answers its own address as it does a browser.

log = logging.getLogger(__name__)

EVERY_S = 5.0
PATIENCE_S = 20.0
"""How long an answer may take."""


class SelfWatch(threading.Thread):
    """Asks /healthz of what listens there. Without a service manager it ends at once."""

    def __init__(self, listener: socket.socket, manager: ServiceManager | None = None) -> None:
        super().__init__(name="self watch", daemon=True)
        self._host, self._port = listener.getsockname()[:2]
        self._manager = manager or ServiceManager()
        self._gone = threading.Event()
        self._failing = False

    def run(self) -> None:
        """Ready with the first answer, alive with every further one."""
        if not self._manager.listens:
            return
        while not self.answers():
            if self._gone.wait(0.2):
                return
        self._manager.ready("serving")
        while self._manager.watchdog_s is not None and not self._gone.wait(
            min(EVERY_S, self._manager.watchdog_s / 4)
        ):
            good = self.answers()
            if good:
                self._manager.alive()
            elif not self._failing:
                log.error("the dashboard does not answer its own address within %.0f s", PATIENCE_S)
            self._failing = not good

    def stop(self) -> None:
        """Make `run` return."""
        self._gone.set()

    def answers(self) -> bool:
        """Whether it answers now."""
        host = {"0.0.0.0": "127.0.0.1", "::": "::1"}.get(self._host, self._host)
        connection = http.client.HTTPConnection(host, self._port, timeout=PATIENCE_S)
        try:
            connection.request("GET", "/healthz")
            return connection.getresponse().status == 200
        except (OSError, http.client.HTTPException):
            return False
        finally:
            connection.close()
