"""Costly answers take turns: a page is never behind them, nobody takes them all, and whoever gets none is told."""

from __future__ import annotations

import threading
from concurrent.futures import ThreadPoolExecutor

import pytest
from asleft.web import costly
from asleft.web import paper as papers
from asleft.web.access.passwords import _AT_A_TIME, _WAITING
from asleft.web.app import create_app
from asleft.web.serve import THREADS
from asleft.web.turns import Refusal, Turns

PDF = "/report/press-2.clamp.pdf"
PATIENCE_S = 60.0  # until a test gives up; nothing is measured by it


@pytest.fixture(autouse=True)
def patient(monkeypatch):
    monkeypatch.setattr(costly, "PATIENCE_S", PATIENCE_S)


def test_turns_are_taken_one_after_the_other_and_nobody_waits_for_ever():
    turns = Turns(at_a_time=1, waiting=1, each=2, patience_s=0.01)
    assert turns.enter("kl") is None
    assert turns.enter("ab") is Refusal.LATE
    turns.leave("kl")
    assert turns.enter("ab") is None
    turns.leave("ab")


def test_only_so_many_wait_and_only_so_many_are_one_persons():
    turns = Turns(at_a_time=1, waiting=2, each=2, patience_s=PATIENCE_S)

    def work(who: str) -> Refusal | None:
        refused = turns.enter(who)
        if refused is None:
            turns.leave(who)
        return refused

    assert turns.enter("kl") is None
    with ThreadPoolExecutor(2) as pool:
        waiting = [pool.submit(work, "kl"), pool.submit(work, "ab")]
        while turns._waiting < 2:
            threading.Event().wait(0.001)
        assert turns.enter("kl") is Refusal.OWN
        assert turns.enter("cd") is Refusal.FULL
        turns.leave("kl")
        assert [one.result(PATIENCE_S) for one in waiting] == [None, None]
    assert not turns._of


def test_more_than_half_of_the_servers_threads_are_for_pages():
    assert costly.MOST_THREADS + _AT_A_TIME + _WAITING <= THREADS / 2


@pytest.fixture
def held(monkeypatch):
    """Documents that are being made until `go` is set; how many at a time there were."""

    class Held:
        go, begun = threading.Event(), threading.Event()
        now = most = made = 0
        lock = threading.Lock()

        def pdf(self, _text: str) -> bytes:
            with self.lock:
                self.now += 1
                self.most = max(self.most, self.now)
            self.begun.set()
            assert self.go.wait(PATIENCE_S)
            with self.lock:
                self.now -= 1
                self.made += 1
            return b"%PDF-"

    made = Held()
    monkeypatch.setattr(papers, "pdf", made.pdf)
    return made


@pytest.fixture
def server(app):
    return app.server


def test_a_page_is_answered_while_documents_are_made_and_wanted_by_everybody(server, doors, held):
    """Sixteen documents at a time made a page wait for 35 s."""
    clients = []
    for name in ("viewer", "technician", "administrator"):
        for _ in range(8):
            clients.append(server.test_client())
            assert doors.sign_in(clients[-1], name).status_code == 303
    reader = clients.pop()
    with ThreadPoolExecutor(len(clients)) as pool:
        asked = [pool.submit(client.get, PDF) for client in clients]
        assert held.begun.wait(PATIENCE_S)
        for path in ("/", "/health", "/alarms", "/sheets/press-2.clamp", "/_dash-layout"):
            assert reader.get(path).status_code == 200
        held.go.set()
        answers = [one.result(PATIENCE_S) for one in asked]
    codes = [answer.status_code for answer in answers]
    assert set(codes) == {200, 429, 503}
    assert codes.count(200) == held.made >= costly.DOCUMENT.each
    assert held.most == costly.DOCUMENT.at_a_time
    words = {answer.status_code: answer.get_data(as_text=True) for answer in answers if answer.status_code != 200}
    assert "You have 2 reports on their way already." in words[429]
    assert "Others wait for their reports too." in words[503]
    assert all(answer.headers["Retry-After"] == "20" for answer in answers if answer.status_code != 200)
    assert reader.get(PDF).status_code == 200  # every turn has been given back


def test_without_accounts_everybody_at_the_machine_is_one_person(plant, door, held):
    server = create_app(plant, plant, door.access, clock_ns=lambda: plant.now).server
    with ThreadPoolExecutor(4) as pool:
        asked = [pool.submit(server.test_client().get, PDF) for _ in range(4)]
        assert held.begun.wait(PATIENCE_S)
        held.go.set()
        codes = [one.result(PATIENCE_S).status_code for one in asked]
    assert set(codes) <= {200, 429}
    assert codes.count(200) >= costly.DOCUMENT.each


def test_a_turn_is_given_back_when_the_answer_has_been_sent_or_has_failed(server, client, monkeypatch):
    """As often as there are turns, and once more: a table that is read to its end, one that is not, and a fault."""
    server.config["PROPAGATE_EXCEPTIONS"] = False
    table = "/csv/press-2.clamp/window"
    for _ in range(costly.TABLE.each + 1):
        assert client.get(table).get_data()
    for _ in range(costly.TABLE.each + 1):
        client.get(table).close()
    assert client.get(table).status_code == 200

    def broken(_text: str) -> bytes:
        raise ValueError("broken")

    monkeypatch.setattr(papers, "pdf", broken)
    for _ in range(costly.DOCUMENT.each + 1):
        answer = client.get(PDF)
        assert (answer.status_code, bool(answer.get_data())) == (500, True)


def test_a_table_that_is_read_slowly_keeps_its_turn_until_it_is_read(client):
    first, second = (client.get("/csv/press-2.clamp/window", buffered=False) for _ in range(2))
    assert client.get("/csv/press-2.clamp/window").status_code == 429
    assert client.get("/").status_code == 200
    first.close()
    assert client.get("/csv/press-2.clamp/window").status_code == 200
    second.close()


def test_every_costly_rule_is_a_route(server):
    assert set(costly.COSTLY) <= {rule.rule for rule in server.url_map.iter_rules()}
    routes = {rule.rule for rule in server.url_map.iter_rules()}
    assert {rule for rule in routes if rule.startswith(("/csv", "/report/<valve>."))} <= set(costly.COSTLY)
