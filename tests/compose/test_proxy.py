"""The proxy's own configuration before a real dashboard: TLS outside, and nobody passes for somebody else."""

from __future__ import annotations

import http.client
import io
import os
import re
import shutil
import ssl
import subprocess
import sys
import time
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from urllib.parse import urlencode

import pytest
from asleft.cli.main import main
from asleft.store.access import open_access
from plant_broker import COMPOSE, WAIT_S, free_port, make

PASSWORD = "nobody guesses this one 7"


@dataclass
class Front:
    """Where people come in, and where the dashboard's records are."""

    port: int
    certificates: Path
    data: Path
    away: tuple[int, list[str], str] | None = None  # its answer before there was a dashboard: status, lacking, body

    def ask(
        self, method: str, path: str, headers: dict[str, str] | None = None, body: str = "", source: str = "127.0.0.1"
    ) -> http.client.HTTPResponse:
        """One request over TLS, the certificate checked."""
        context = ssl.create_default_context(cafile=self.certificates / "ca.crt")
        connection = http.client.HTTPSConnection(
            "localhost", self.port, context=context, timeout=WAIT_S, source_address=(source, 0)
        )
        connection.request(method, path, body or None, headers or {})
        return connection.getresponse()


@pytest.fixture(scope="module")
def front(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Front]:
    """`asleft web` with one account, as compose.yaml starts it, and nginx with compose's configuration before it."""
    folder = tmp_path_factory.mktemp("front")
    data, certificates = folder / "data", folder / "certificates"
    for words in (["broker", "localhost"], ["web", "localhost"]):
        assert make(certificates, *words).returncode == 0
    stdin, sys.stdin = sys.stdin, io.StringIO(PASSWORD + "\n")
    try:
        assert main(["users", "add", "kl", "--role", "viewer", "--password-stdin", "--data", str(data)]) == 0
    finally:
        sys.stdin = stdin
    inside, outside = free_port(), free_port()
    text = (COMPOSE / "proxy" / "nginx.conf").read_text()
    for old, new in (
        (" /tmp/", f" {folder}/"),
        ("listen 8443 ssl", f"listen 127.0.0.1:{outside} ssl"),
        (" certificates/", f" {certificates}/"),
        ("http://web:8050", f"http://127.0.0.1:{inside}"),
    ):
        assert old in text, f"nginx.conf no longer says {old!r}"
        text = text.replace(old, new)
    config = folder / "nginx.conf"
    config.write_text("daemon off;\nuser root;\n" + text if _root() else "daemon off;\n" + text)
    found = shutil.which("nginx") or shutil.which("nginx", path="/usr/sbin:/usr/local/sbin")
    assert found, "this test needs nginx: install the Debian package nginx-light"
    proxy = subprocess.Popen([found, "-c", str(config)], stderr=subprocess.DEVNULL)
    made = Front(outside, certificates, data)
    processes = [proxy]
    try:
        away = _answer(made, proxy)
        made.away = (away.status, lacking(away), away.read().decode())
        dashboard = subprocess.Popen(
            [sys.executable, "-m", "asleft.cli.main", "web", "--data", str(data), "--port", str(inside),
             "--behind-proxy=127.0.0.1", "--name=localhost"],
            stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL,
        )  # fmt: skip
        processes.append(dashboard)
        deadline = time.monotonic() + 60
        while _answer(made, proxy, dashboard).status != 200:
            assert time.monotonic() < deadline
            time.sleep(0.2)
        yield made
    finally:
        for process in processes:
            process.terminate()
            process.wait(20)


def _answer(front: Front, *processes: subprocess.Popen[bytes]) -> http.client.HTTPResponse:
    """The proxy's answer for the page to sign in, as soon as it gives one."""
    deadline = time.monotonic() + 60
    while True:
        try:
            return front.ask("GET", "/login")
        except OSError:
            assert all(process.poll() is None for process in processes), "it ended at once"
            assert time.monotonic() < deadline
            time.sleep(0.2)


def _root() -> bool:
    return os.geteuid() == 0


def sign_in(
    front: Front, headers: dict[str, str] | None = None, password: str = PASSWORD
) -> http.client.HTTPResponse:
    page = front.ask("GET", "/login")
    cookies = "; ".join(value.split(";")[0] for name, value in page.getheaders() if name.lower() == "set-cookie")
    hidden = dict(re.findall(r'<input type="hidden" name="([^"]+)" value="([^"]*)"', page.read().decode()))
    fields = {**hidden, "name": "kl", "password": password}
    sent = {
        "Cookie": cookies,
        "Content-Type": "application/x-www-form-urlencoded",
        "Origin": f"https://localhost:{front.port}",
        **(headers or {}),
    }
    return front.ask("POST", "/login", sent, urlencode(fields))


def test_nobody_sees_anything_before_signing_in(front: Front) -> None:
    answer = front.ask("GET", "/")
    assert answer.status in (302, 303)
    assert answer.getheader("Location", "").startswith("/login")
    assert answer.getheader("Strict-Transport-Security") == "max-age=31536000"


def test_one_who_signs_in_gets_a_cookie_that_never_leaves_tls(front: Front) -> None:
    answer = sign_in(front)
    assert answer.status in (302, 303), answer.read()[:500]
    cookies = [value for name, value in answer.getheaders() if name.lower() == "set-cookie"]
    session = next(cookie for cookie in cookies if "HttpOnly" in cookie)
    assert "Secure" in session
    assert "SameSite" in session
    page = front.ask("GET", "/", {"Cookie": session.split(";")[0]})
    assert page.status == 200


def test_a_visitor_cannot_give_another_address(front: Front) -> None:
    forged = {"X-Forwarded-For": "203.0.113.9", "Forwarded": "for=203.0.113.9", "X-Forwarded-Proto": "http"}
    sign_in(front, forged, "wrong " + PASSWORD).read()
    store = open_access(front.data / "records.db")
    entries = store.audit.newest(50)
    store.close()
    assert entries, "a failed sign-in leaves a line"
    assert all("203.0.113.9" not in str(entry) for entry in entries)
    assert any("127.0.0.1" in str(entry) for entry in entries)


def test_another_name_is_refused(front: Front) -> None:
    assert front.ask("GET", "/login", {"Host": "elsewhere.example"}).status >= 400


SECURE = {
    "Content-Security-Policy": "default-src 'none'",
    "X-Content-Type-Options": "nosniff",
    "X-Frame-Options": "DENY",
    "Referrer-Policy": "same-origin",
    "Strict-Transport-Security": "max-age=31536000",
    "Cache-Control": "no-store",
}


def lacking(answer: http.client.HTTPResponse) -> list[str]:
    """Headers that an answer has not, or has twice."""
    return [
        name
        for name, start in SECURE.items()
        if len(found := answer.headers.get_all(name, [])) != 1 or not found[0].startswith(start)
    ]


def test_every_answer_is_as_safe_as_the_dashboards_own(front: Front) -> None:
    """Of the proxy's own: too large, too long, and nothing that is a request. Each header is there once."""
    asked = {
        200: front.ask("GET", "/login"),
        303: front.ask("GET", "/"),
        413: front.ask("POST", "/login", {"Content-Length": "3000000"}),
        414: front.ask("GET", "/" + "x" * 16_380),  # just too long: what is longer is cut off while it is sent
        400: front.ask("GET", "/", {"Host": "a b"}),
        405: front.ask("TRACE", "/"),
    }
    assert {code: answer.status for code, answer in asked.items()} == {code: code for code in asked}
    assert {code: lacking(answer) for code, answer in asked.items()} == {code: [] for code in asked}


def test_without_a_dashboard_it_is_said_where_to_look(front: Front) -> None:
    assert front.away is not None
    status, missing, text = front.away
    assert (status, missing) == (502, [])
    assert "journalctl -u asleft-web" in text


def test_tries_to_sign_in_are_limited_before_they_reach_the_dashboard(front: Front) -> None:
    """Forty of one machine: at twelve a minute they would take three minutes, and none waits."""
    answers = [front.ask("POST", "/login", source="127.0.0.5") for _ in range(40)]
    codes = [answer.status for answer in answers]
    assert set(codes) == {400, 429}
    assert lacking(answers[codes.index(429)]) == []
    assert front.ask("GET", "/login", source="127.0.0.5").status == 200
    assert front.ask("POST", "/login", source="127.0.0.7").status == 400
