"""The address for machines that watch: probes that say nothing but ok or not, and metrics for a collector."""

from __future__ import annotations

import socket
import urllib.error
import urllib.request
from collections.abc import Iterator

import pytest
from asleft.monitoring.endpoint import MOST_AT_ONCE, BadAddress, Endpoint, host_and_port
from prometheus_client.core import CounterMetricFamily, Metric
from prometheus_client.parser import text_string_to_metric_families
from prometheus_client.registry import Collector


class Three(Collector):
    def collect(self) -> Iterator[Metric]:
        yield CounterMetricFamily("asleft_things", "Things.", value=3)


class State:
    healthy = True
    ready = True


@pytest.fixture
def served() -> Iterator[tuple[Endpoint, State]]:
    state = State()
    made = Endpoint("127.0.0.1:0", Three(), lambda: state.healthy, lambda: state.ready)
    yield made, state
    made.close()


def get(endpoint: Endpoint, path: str) -> tuple[int, str, str]:
    try:
        with urllib.request.urlopen(f"http://127.0.0.1:{endpoint.port}{path}", timeout=30) as answer:
            return answer.status, answer.headers["Content-Type"], answer.read().decode()
    except urllib.error.HTTPError as error:
        return error.code, error.headers["Content-Type"], error.read().decode()


def test_probes_say_ok_or_not_and_nothing_else(served: tuple[Endpoint, State]) -> None:
    endpoint, state = served
    assert [get(endpoint, path)[0::2] for path in ("/healthz", "/readyz")] == [(200, "ok\n")] * 2
    state.ready = False
    assert [get(endpoint, path)[0::2] for path in ("/healthz", "/readyz")] == [(200, "ok\n"), (503, "not ok\n")]
    state.healthy = False
    assert get(endpoint, "/healthz")[0::2] == (503, "not ok\n")


def test_metrics_are_text_that_a_collector_reads(served: tuple[Endpoint, State]) -> None:
    status, kind, text = get(served[0], "/metrics")
    assert status == 200
    assert kind.startswith("text/plain; version=")
    families = {family.name: family for family in text_string_to_metric_families(text)}
    assert [(one.name, one.value) for one in families["asleft_things"].samples] == [("asleft_things_total", 3.0)]
    assert "process_cpu_seconds" in families


@pytest.mark.parametrize("path", ["/", "/metrics/", "/nonsense", "/healthz?x=1"])
def test_nothing_else_is_there(served: tuple[Endpoint, State], path: str) -> None:
    assert get(served[0], path)[0] == 404


def test_clients_that_say_nothing_do_not_use_it_up(served: tuple[Endpoint, State]) -> None:
    endpoint, _ = served
    idle = [socket.create_connection(("127.0.0.1", endpoint.port), 30) for _ in range(MOST_AT_ONCE)]
    for one in idle[:2]:
        one.close()
    # The two that hung up make room at once, the others after their time.
    for _ in range(100):
        try:
            assert get(endpoint, "/healthz")[0] == 200
            break
        except (ConnectionError, urllib.error.URLError):
            continue
    else:
        pytest.fail("never answered")
    for one in idle[2:]:
        one.close()


def test_an_address_that_is_taken_or_none_is_said() -> None:
    with socket.create_server(("127.0.0.1", 0)) as taken, pytest.raises(BadAddress, match="cannot be listened on"):
        Endpoint(f"127.0.0.1:{taken.getsockname()[1]}", Three(), lambda: True, lambda: True)
    for text in ("9464", ":9464", "127.0.0.1:", "127.0.0.1:x", "127.0.0.1:70000"):
        with pytest.raises(BadAddress, match="HOST:PORT is expected"):
            host_and_port(text)
    assert host_and_port("[::1]:9464") == ("::1", 9464)
