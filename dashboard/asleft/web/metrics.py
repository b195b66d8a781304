"""The dashboard's figures for a machine that collects them, as Prometheus families. Names and units are a promise."""

from __future__ import annotations

import time
from collections.abc import Iterator

from asleft.web.availability import Place, Reach
from flask import Flask, Response, g
from prometheus_client import CollectorRegistry, Counter, Histogram
from prometheus_client.core import GaugeMetricFamily, InfoMetricFamily, Metric
from prometheus_client.registry import Collector

_BOUNDS_S = (0.01, 0.03, 0.1, 0.3, 1.0, 3.0, 10.0, 30.0)


class DashboardCollector(Collector):
    """Counts what one application answers, from its making on."""

    def __init__(self, server: Flask, reach: Reach, version: str) -> None:
        self._reach, self._version = reach, version
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
        away = {lost.place for lost in self._reach.away()}
        reachable = GaugeMetricFamily(
            "asleft_dashboard_store_reachable", "1 while this store can be reached, else 0.", labels=["store"]
        )
        for place in Place:
            reachable.add_metric([place.value], place not in away)
        yield reachable
        yield from self._registry.collect()
