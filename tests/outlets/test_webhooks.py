"""Web hooks: what is told, in which order, how often; signed so that a library that is not ours accepts it."""

from __future__ import annotations

import base64
import json
import socket
import ssl
import subprocess
import threading
from contextlib import contextmanager, suppress
from dataclasses import replace
from datetime import UTC, datetime
from http.client import HTTPException
from http.server import BaseHTTPRequestHandler, HTTPServer

import msgspec
import pytest
from asleft.alarms.events import AlarmEvent, EventKind
from asleft.cli.main import main
from asleft.outlets import webhooks
from asleft.outlets.events import EventName
from asleft.outlets.plant import look
from asleft.outlets.settings import Webhook
from asleft.outlets.statuses import status_of
from asleft.outlets.webhooks import Webhooks, post, signature
from asleft.store.outbox import HOOK
from jsonschema import Draft202012Validator, ValidationError
from standardwebhooks.webhooks import Webhook as TheirWebhook
from standardwebhooks.webhooks import WebhookVerificationError

S = 10**9
SECRET = bytes(range(32))
HOOK_OF_ALL = Webhook("all", "http://127.0.0.1:1/x", SECRET, frozenset(EventName), None)


class Receiver:
    """Takes what is posted, or not."""

    def __init__(self) -> None:
        self.status = 204
        self.got: list[tuple[dict, bytes]] = []

    def __call__(self, hook, body, headers) -> int:
        if isinstance(self.status, Exception):
            raise self.status
        if 200 <= self.status < 300:
            self.got.append((headers, body))
        return self.status

    @property
    def events(self) -> list[tuple[str, str]]:
        return [(one["event"], one["valve"]) for one in self.bodies]

    @property
    def bodies(self) -> list[dict]:
        return [json.loads(body) for _, body in self.got]


@pytest.fixture
def receiver():
    return Receiver()


@pytest.fixture
def hooks(door, receiver):
    return Webhooks([HOOK_OF_ALL], door.store.outbox, receiver)


@pytest.fixture
def go(hooks, source, plant):
    """A round, so many seconds later."""

    def run(later_s=5.0) -> int:
        plant.now += round(later_s * S)
        return round_of(hooks, source)

    return run


def round_of(hooks, source) -> int:
    hooks.make(look(source))
    return hooks.send(source.now_ns())


def raised(desked, plant, valve="press-2.clamp", severity=3, kind="current-lost"):
    return desked.raise_alarm(valve, kind, "coil-wiring", severity, "Current reads 0.", plant.now)


def add(desked, plant, alarm, seq, what, who="judge", severity=3):
    valve, kind, onset = alarm.split("/")
    event = AlarmEvent(
        alarm, seq, what, plant.now, who, "c", valve, kind, severity, "coil-wiring", "Worse.", int(onset)
    )
    desked.kept.append_alarm_events([event])


def test_a_first_look_tells_nothing(go, receiver):
    assert go() == 0
    assert go() == 0
    assert receiver.got == []


def test_the_life_of_an_alarm(go, receiver, desked, plant):
    go()
    alarm = raised(desked, plant)
    go(60)
    add(desked, plant, alarm, 2, EventKind.ESCALATED)
    go()
    add(desked, plant, alarm, 3, EventKind.ACKNOWLEDGED, "kl")
    add(desked, plant, alarm, 4, EventKind.FOUND, "kl")  # who acknowledged already: nothing new
    go()
    add(desked, plant, alarm, 5, EventKind.RETURNED)
    go()
    go()
    names = [event for event, _ in receiver.events]
    assert names == ["alarm-raised", "alarm-escalated", "alarm-acknowledged", "alarm-gone"]
    assert [one["sequence"] for one in receiver.bodies] == [1, 2, 3, 4]
    first, third = receiver.bodies[0], receiver.bodies[2]
    assert first["schema"] == {"name": "asleft.event", "version": 1}
    assert (first["alarm"]["alarm"], first["alarm"]["urgency"]) == (alarm, "now")
    assert (third["alarm"]["by"], third["alarm"]["comment"]) == ("kl", "c")


def test_an_alarm_that_did_not_last_is_not_told(go, receiver, desked, plant):
    go()
    alarm = raised(desked, plant, severity=1, kind="pressure-changed")
    plant.now += S
    add(desked, plant, alarm, 2, EventKind.RETURNED, severity=1)
    for _ in range(3):
        go(600)
    assert receiver.events == []


def test_a_verdict_that_changes_is_told_with_both(go, receiver, plant):
    go()
    for one in plant._judgements["press-1.platen"]["quantities"]:
        if one["id"] == "ramp_up":
            one.update(verdict="out", as_found=2.4, tolerance_used=500.0)
    go()
    go()
    ((event, valve),) = receiver.events
    assert (event, valve) == ("verdict-changed", "press-1.platen")
    (change,) = receiver.bodies[0]["settings"]
    assert (change["before"], change["now"]["id"], change["now"]["verdict"]) == ("in", "ramp_up", "out")
    assert (change["now"]["as_found"], change["now"]["unit"]) == (2.4, "s")


def test_silence_is_told_once_and_its_end(go, receiver, plant):
    go()
    plant.reading_lag_ns = 50 * S  # not yet
    go()
    assert receiver.events == []
    plant.reading_lag_ns = 70 * S
    go()
    go()
    silent = sorted(valve for event, valve in receiver.events if event == "valve-silent")
    assert len(silent) == len(receiver.events) == 7  # the eighth was silent before
    assert "good" not in {one["status"] for one in receiver.bodies}
    plant.reading_lag_ns = S
    go()
    assert sorted(valve for event, valve in receiver.events[7:] if event == "valve-heard") == silent


def test_only_what_is_asked_for_is_told(source, plant, door, desked, receiver):
    hook = replace(HOOK_OF_ALL, events=frozenset({EventName.ALARM_RAISED}), valves=frozenset({"press-1.platen"}))
    hooks = Webhooks([hook], door.store.outbox, receiver)
    round_of(hooks, source)
    for valve in ("press-1.platen", "press-2.clamp"):
        raised(desked, plant, valve)
    plant.now += 60 * S
    plant.reading_lag_ns = 70 * S
    round_of(hooks, source)
    assert receiver.events == [("alarm-raised", "press-1.platen")]


def test_what_is_not_taken_is_sent_again_later_and_in_order(go, receiver, desked, plant, door):
    go()
    receiver.status = 500
    first = raised(desked, plant)
    go(60)
    second = raised(desked, plant, "press-1.platen")
    go(60)
    assert receiver.got == []
    standing = door.store.outbox.standing()
    assert (standing.waiting, standing.failed, standing.error) == (2, 1, "answered 500")
    receiver.status = ConnectionRefusedError("http://secret.example")
    go(600)
    assert "secret" not in door.store.outbox.standing().error
    receiver.status = 200
    assert go(1) == 0  # not yet: each try in vain doubles the wait
    go(900)
    assert [one["alarm"]["alarm"] for one in receiver.bodies] == [first, second]
    go(900)
    assert len(receiver.got) == 2


def test_a_stop_between_loses_nothing_and_doubles_nothing(source, plant, door, desked, receiver):
    round_of(Webhooks([HOOK_OF_ALL], door.store.outbox, receiver), source)
    raised(desked, plant)
    plant.now += 60 * S
    receiver.status = OSError("gone")
    round_of(Webhooks([HOOK_OF_ALL], door.store.outbox, receiver), source)
    plant.now += 60 * S
    receiver.status = 200
    for _ in range(3):
        round_of(Webhooks([HOOK_OF_ALL], door.store.outbox, receiver), source)
    assert receiver.events == [("alarm-raised", "press-2.clamp")]


def test_what_waits_is_bounded_and_a_hole_is_seen(go, receiver, desked, plant, door, monkeypatch):
    monkeypatch.setattr(webhooks, "MOST_WAITING", 30)
    go()
    receiver.status = 500
    for k in range(50):
        raised(desked, plant, f"press-{k}.x")
    go(60)
    for _ in range(3):
        go(1000)
    receiver.status = 200
    for _ in range(5):
        go(1000)
    sequence = [one["sequence"] for one in receiver.bodies]
    assert sequence == list(range(21, 51))
    assert door.store.outbox.standing().waiting == 0


def test_people_are_not_sent_what_is_for_programs(go, receiver, desked, plant, door):
    go()
    receiver.status = 500
    raised(desked, plant)
    go(60)
    assert door.store.outbox.waiting(plant.now + 10**15) == []
    assert len(door.store.outbox.queue(HOOK + "all", 10)) == 1


def test_everything_sent_is_of_the_published_schema(go, receiver, desked, plant, source, capsys):
    """Checked by the library jsonschema, against what the command prints."""
    assert main(["outlets", "--schema"]) == 0
    schema = json.loads(capsys.readouterr().out)
    Draft202012Validator.check_schema(schema)
    validator = Draft202012Validator(schema)
    go()
    raised(desked, plant)
    plant.reading_lag_ns = 70 * S
    for one in plant._judgements["press-1.platen"]["quantities"]:
        one.update(verdict="undecided")
    go(60)
    assert {event for event, _ in receiver.events} == {"alarm-raised", "valve-silent", "verdict-changed"}
    found = look(source)
    statuses = [status_of(row, {"ramp_up": "in"}, 1, 0, None, plant.now) for row in found.rows.values()]
    for body in (*receiver.bodies, *(json.loads(msgspec.json.encode(one)) for one in statuses)):
        validator.validate(body)
        with pytest.raises(ValidationError):
            validator.validate({**body, "at": 5})
        with pytest.raises(ValidationError):
            validator.validate({key: value for key, value in body.items() if key != "valve"})


def test_a_library_that_is_not_ours_accepts_the_signature(go, receiver, desked, plant, monkeypatch):
    go()
    raised(desked, plant)
    go(60)
    headers, body = receiver.got[0]
    theirs = TheirWebhook(base64.b64encode(SECRET).decode())
    now = datetime.fromtimestamp(plant.now / 1e9, UTC)

    class At(datetime):
        @classmethod
        def now(cls, tz=None):
            return now.astimezone(tz)

    monkeypatch.setattr("standardwebhooks.webhooks.datetime", At)
    assert theirs.verify(body, headers)["event"] == "alarm-raised"
    with pytest.raises(WebhookVerificationError):
        theirs.verify(body + b" ", headers)
    late = {**headers, "webhook-timestamp": str(int(headers["webhook-timestamp"]) + 1)}
    with pytest.raises(WebhookVerificationError):
        theirs.verify(body, late)


def test_the_signature_of_the_specifications_library():
    at = datetime.fromtimestamp(1_700_000_000, UTC)
    theirs = TheirWebhook(base64.b64encode(SECRET).decode())
    assert signature(SECRET, "abc", 1_700_000_000, b'{"a":1}') == theirs.sign("abc", at, '{"a":1}')


@contextmanager
def receiving(tls=None):
    """A receiver on loopback; its port, and what was asked of it: path, id and body."""
    asked = []

    class Handler(BaseHTTPRequestHandler):
        def do_POST(self):
            asked.append(
                (self.path, self.headers["webhook-id"], self.rfile.read(int(self.headers["Content-Length"])))
            )
            self.send_response(302 if self.path == "/moved" else 204)
            self.send_header("Location", "/elsewhere")
            self.end_headers()

        def log_message(self, *_):
            pass

    class Server(HTTPServer):
        def handle_error(self, *_):
            pass

    server = Server(("127.0.0.1", 0), Handler)
    if tls is not None:
        server.socket = tls.wrap_socket(server.socket, server_side=True)
    threading.Thread(target=server.serve_forever, daemon=True).start()
    try:
        yield server.server_port, asked
    finally:
        server.shutdown()
        server.server_close()


def test_it_is_posted_to_this_machine_and_no_redirect_is_followed():
    with receiving() as (port, asked):
        hook = replace(HOOK_OF_ALL, url=f"http://127.0.0.1:{port}/in?x=1")
        assert post(hook, b"{}", {"webhook-id": "7"}) == 204
        assert post(replace(hook, url=f"http://127.0.0.1:{port}/moved"), b"{}", {"webhook-id": "8"}) == 302
        assert asked == [("/in?x=1", "7", b"{}"), ("/moved", "8", b"{}")]


@pytest.mark.timeout(600)  # a line of an answer may have 65,536 bytes: 55 minutes
@pytest.mark.parametrize("scheme", ["http", "https"])
def test_an_answer_byte_by_byte_keeps_nobody_waiting(monkeypatch, scheme):
    monkeypatch.setattr(webhooks, "LONGEST_S", 0.3)
    done = threading.Event()
    with socket.create_server(("127.0.0.1", 0)) as listener:

        def drip():
            connection, _ = listener.accept()
            with connection, suppress(OSError):
                if scheme == "https":  # a record of a handshake that never ends
                    connection.sendall(b"\x16\x03\x03\x40\x00")
                while not done.wait(0.05):
                    connection.sendall(b"H")

        threading.Thread(target=drip, daemon=True).start()
        with pytest.raises((OSError, HTTPException)):
            post(replace(HOOK_OF_ALL, url=f"{scheme}://127.0.0.1:{listener.getsockname()[1]}/"), b"{}", {})
        done.set()


@pytest.fixture(scope="module")
def certificate(tmp_path_factory):
    """A certificate of 127.0.0.1 that is its own authority, made by openssl."""
    folder = tmp_path_factory.mktemp("tls")
    key, made = folder / "key.pem", folder / "certificate.pem"
    words = [
        "openssl",
        "req",
        "-x509",
        "-newkey",
        "ec",
        "-pkeyopt",
        "ec_paramgen_curve:P-256",
        "-nodes",
        "-days",
        "2",
    ]
    words += ["-subj", "/CN=receiver", "-addext", "subjectAltName=IP:127.0.0.1", "-keyout", key, "-out", made]
    subprocess.run(words, check=True, capture_output=True)
    return made, key


def test_over_tls_the_receivers_certificate_is_checked(certificate):
    made, key = certificate
    context = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)
    context.load_cert_chain(made, key)
    with receiving(tls=context) as (port, asked):
        hook = replace(HOOK_OF_ALL, url=f"https://127.0.0.1:{port}/")
        with pytest.raises(ssl.SSLCertVerificationError):
            post(hook, b"{}", {})
        assert asked == []
        assert post(replace(hook, ca_file=made), b"{}", {"webhook-id": "7"}) == 204
        assert asked == [("/", "7", b"{}")]
