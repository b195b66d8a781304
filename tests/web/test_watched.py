"""How the dashboard is watched: probes without accounts, metrics, and signs of life for a service manager."""

from __future__ import annotations

import socket
import threading
import time

import pytest
from asleft.monitoring.service_manager import ServiceManager
from asleft.web.app import create_app
from asleft.web.watched import DashboardCollector, SelfWatch
from prometheus_client import CollectorRegistry, generate_latest
from prometheus_client.parser import text_string_to_metric_families
from sqlalchemy.exc import OperationalError

PROBES = ("/healthz", "/readyz")


class Away:
    """A store that cannot be reached."""

    def __init__(self, store) -> None:
        self._store, self.down = store, False

    def __getattr__(self, name):
        def call(*given):
            if self.down:
                raise OperationalError("SELECT secret", {}, Exception("refused at 10.0.0.9"))
            return getattr(self._store, name)(*given)

        return call


@pytest.fixture
def client(app):
    return app.server.test_client()


@pytest.mark.parametrize("path", PROBES)
@pytest.mark.parametrize("host", ["127.0.0.1:8050", "10.0.0.5:8050", "some.where.example"])
def test_probes_need_no_account_and_no_name(client, path, host):
    answer = client.get(path, headers={"Host": host})
    assert (answer.status_code, answer.get_data(), answer.mimetype) == (200, b"ok\n", "text/plain")
    assert "Set-Cookie" not in answer.headers
    assert client.get("/login", headers={"Host": "some.where.example"}).status_code == 421, "but all else needs it"


def test_without_the_records_it_is_alive_and_not_ready(plant, desked, door, monkeypatch):
    door.add_one_of_each()
    app = create_app(plant, desked, door.access, clock_ns=lambda: plant.now)
    client = app.server.test_client()
    away = Away(door.access.store.accounts)
    monkeypatch.setattr(door.access.store, "accounts", away)
    assert [client.get(path).status_code for path in PROBES] == [200, 200]
    away.down = True
    answers = [client.get(path) for path in PROBES]
    assert [answer.status_code for answer in answers] == [200, 503]
    assert answers[1].get_data() == b"not ok\n"
    assert "X-Asleft-Away" not in answers[1].headers, "nothing but ok or not"
    away.down = False
    deadline = time.monotonic() + 60
    while client.get("/readyz").status_code != 200:
        assert time.monotonic() < deadline
        time.sleep(0.02)


def test_metrics_count_what_is_answered_and_know_the_stores(app):
    availability = app.server.extensions["asleft.availability"]
    registry = CollectorRegistry()
    registry.register(DashboardCollector(app.server, availability, "1.2"))
    client = app.server.test_client()
    for path, status in (("/login", 200), ("/_dash-layout", 401), ("/", 303), ("/healthz", 200)):
        assert client.get(path).status_code == status
    text = generate_latest(registry).decode()
    families = {family.name: family for family in text_string_to_metric_families(text)}
    answers = families["asleft_dashboard_answers"].samples
    counts = {one.labels["status"]: one.value for one in answers if one.name == "asleft_dashboard_answers_total"}
    assert counts == {"2xx": 2.0, "3xx": 1.0, "4xx": 1.0}
    reachable = {one.labels["store"]: one.value for one in families["asleft_dashboard_store_reachable"].samples}
    assert reachable == {"samples": 1.0, "records": 1.0}
    took = {one.name: one.value for one in families["asleft_dashboard_answer_seconds"].samples}
    assert took["asleft_dashboard_answer_seconds_count"] >= 2


class Server:
    """Answers every request with one status, or not at all."""

    def __init__(self) -> None:
        self.listener = socket.create_server(("127.0.0.1", 0))
        self.status = 200
        threading.Thread(target=self._run, daemon=True).start()

    def _run(self) -> None:
        while True:
            try:
                client, _ = self.listener.accept()
            except OSError:
                return
            with client:
                client.recv(4096)
                client.sendall(b"HTTP/1.0 %d x\r\nContent-Length: 0\r\n\r\n" % self.status)


def test_signs_of_life_are_given_only_while_it_answers(tmp_path):
    server = Server()
    with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as inbox:
        inbox.bind(str(tmp_path / "notify"))
        inbox.settimeout(60)
        manager = ServiceManager({"NOTIFY_SOCKET": str(tmp_path / "notify"), "WATCHDOG_USEC": "40000"})
        watch = SelfWatch(server.listener, manager)
        watch.start()
        assert inbox.recv(100) == b"READY=1\nSTATUS=serving"
        assert inbox.recv(100) == b"WATCHDOG=1"
        server.status = 503
        deadline = time.monotonic() + 60
        while not watch._failing:
            assert time.monotonic() < deadline
            time.sleep(0.005)
        inbox.setblocking(False)
        with pytest.raises(BlockingIOError):  # noqa: PT012 - those from before it failed may be many
            while True:
                inbox.recv(100)
        time.sleep(0.1)
        with pytest.raises(BlockingIOError):
            inbox.recv(100)
        watch.stop()
        watch.join(60)
        server.listener.close()


def test_without_a_service_manager_it_asks_nothing():
    with socket.create_server(("127.0.0.1", 0)) as listener:
        watch = SelfWatch(listener, ServiceManager({}))
        watch.run()
        listener.setblocking(False)
        with pytest.raises(BlockingIOError):
            listener.accept()
