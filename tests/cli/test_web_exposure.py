"""`asleft web` leaves the machine only where everybody has to sign in."""

from __future__ import annotations

import argparse
import socket
import time

import pytest
from asleft.cli import web
from asleft.cli.demonstration import account as stated
from asleft.store.access import open_access
from asleft.store.accounts import Role
from asleft.store.actor import Actor
from asleft.web.access.passwords import Passwords
from asleft.web.app import create_app
from asleft.web.availability import Place

CHIEF = Actor("chief", "command line")
OUTSIDE = ("--host", "0.0.0.0", "--port", "0")
PROXIED = ("--behind-proxy", "127.0.0.1", "--port", "0")


@pytest.fixture
def served(tmp_path, monkeypatch):
    """Runs the command up to the point where it would answer; its code, and what it would have served."""
    caught: list[tuple] = []
    monkeypatch.setattr("asleft.web.serve.serve", lambda *given: caught.append(given))

    def run(*words: str):
        parser = argparse.ArgumentParser()
        web.add_arguments(parser)
        code = web.run(parser.parse_args(["--data", str(tmp_path), *words]))
        return code, caught[-1] if caught else None

    return run


def add(folder, name: str = "kl", password: str = "copper ladder seven owls", *, disabled: bool = False) -> None:
    store = open_access(folder / "records.db")
    store.accounts.add(name, Role.ADMINISTRATOR, Passwords().hash(password), CHIEF, 1)
    if disabled:
        store.accounts.set_disabled(name, True, CHIEF, 2)
    store.close()


@pytest.mark.parametrize("words", [OUTSIDE, PROXIED, ("--host", "::", "--port", "0")])
def test_without_accounts_it_refuses_and_says_which_command_to_run(served, tmp_path, capsys, words):
    code, what = served(*words)
    assert (code, what) == (2, None)
    assert f"asleft users add NAME --role administrator --data {tmp_path}" in capsys.readouterr().err


def test_with_an_account_it_leaves_the_machine_and_asks_everybody(served, tmp_path, capsys):
    add(tmp_path)
    code, (app, _, proxy) = served(*OUTSIDE)
    assert code == 0
    assert proxy is None
    assert "in the clear" in capsys.readouterr().err
    client = app.server.test_client()
    assert client.get("/", headers={"Host": "10.0.0.5:8050"}).location == "/login"
    assert client.get("/_dash-layout", headers={"Host": "10.0.0.5:8050"}).status_code == 401


def test_names_narrow_what_it_answers_to(served, tmp_path):
    add(tmp_path)
    _, (app, _, _) = served(*OUTSIDE, "--name", "Presses.plant.example")
    client = app.server.test_client()
    assert client.get("/login", headers={"Host": "presses.plant.example:8050"}).status_code == 200
    assert client.get("/login", headers={"Host": "10.0.0.5:8050"}).status_code == 421


def test_behind_a_proxy_cookies_are_secure_and_the_proxy_alone_is_believed(served, tmp_path, capsys):
    add(tmp_path)
    capsys.readouterr()  # the line of the audit trail, where a log is kept
    code, (app, _, proxy) = served(*PROXIED)
    assert (code, proxy) == (0, "127.0.0.1")
    assert capsys.readouterr().err == ""
    page = app.server.test_client().get("/login", base_url="https://presses.plant.example")
    assert "Secure" in page.headers["Set-Cookie"]


@pytest.mark.parametrize("words", [OUTSIDE, PROXIED])
def test_the_password_every_demo_states_lets_nobody_in_from_outside(served, tmp_path, capsys, words):
    assert stated.prepare(tmp_path / "records.db") is True
    code, what = served(*words)
    assert (code, what) == (2, None)
    assert f"asleft users remove {stated.NAME} --data {tmp_path}" in capsys.readouterr().err


def test_a_demo_account_with_a_password_of_its_own_or_shut_out_is_no_danger(served, tmp_path):
    add(tmp_path, stated.NAME)
    assert stated.prepare(tmp_path / "records.db") is False
    assert served(*OUTSIDE)[0] == 0
    store = open_access(tmp_path / "records.db")
    store.accounts.set_password(stated.NAME, Passwords().hash(stated.PASSWORD), CHIEF, 3)
    store.accounts.set_disabled(stated.NAME, True, CHIEF, 4)
    store.close()
    assert served(*OUTSIDE)[0] == 0


def test_accounts_all_shut_out_do_not_open_the_dashboard(served, tmp_path):
    add(tmp_path, disabled=True)
    _, (app, _, _) = served("--port", "0")
    assert app.server.test_client().get("/").location == "/login"


def test_an_address_that_is_not_ours_is_told(served, tmp_path, capsys):
    add(tmp_path)
    assert served("--host", "192.0.2.1", "--port", "0")[0] == 2  # RFC 5737: an address for documents, nobody's
    assert "--host 192.0.2.1: cannot be served" in capsys.readouterr().err


def test_the_notice_is_read_before_signing_in(served, tmp_path):
    add(tmp_path)
    _, (app, _, _) = served("--port", "0", "--notice", "For staff of the plant only.")
    assert "For staff of the plant only." in app.server.test_client().get("/login").get_data(as_text=True)


def test_while_it_serves_it_looks_at_its_stores_itself(served, monkeypatch):
    """Nobody asks for a page that reads samples, and InfluxDB is away."""
    seen = []

    def serve(app, *_):
        availability = app.server.extensions["asleft.availability"]
        until = time.monotonic() + 60
        while not availability.away() and time.monotonic() < until:
            time.sleep(0.02)
        seen.extend(one.place for one in availability.away())

    monkeypatch.setattr("asleft.web.serve.serve", serve)
    with socket.socket() as nobody:
        nobody.bind(("127.0.0.1", 0))  # not listening
        assert served("--port", "0", "--samples", f"influx://127.0.0.1:{nobody.getsockname()[1]}/plant")[0] == 0
    assert seen == [Place.SAMPLES]


def test_the_application_has_a_door():
    """The application cannot be made without a door: forgetting it is an error, not an open dashboard."""
    with pytest.raises(TypeError, match="access"):
        create_app(None, None)
