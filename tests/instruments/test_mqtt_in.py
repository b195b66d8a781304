"""Values that come by MQTT, through a real mosquitto."""

from __future__ import annotations

import inspect
import itertools
import json
import math
import re
import time
import weakref
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from asleft.edge import main as command
from asleft.instruments import mqtt_in
from asleft.instruments.feed import TimedReading
from asleft.instruments.mqtt_in import MqttInFeed
from asleft.instruments.mqtt_in_settings import read_mqtt_in_settings
from asleft.wire.block import Reason
from asleft.wire.settings import Section
from asleft.wire.settings_faults import Fault
from feed_waiting import PATIENCE_S, take_until, until
from hypothesis import given
from hypothesis import strategies as st
from mosquitto_server import Mosquitto, free_port
from plant_authority import Authority

MS = 1_000_000
VALVE = {
    "id": "press-4.platen",
    "topic": "gateway/press-4",
    "channel": [
        {"name": "command", "unit": "mA", "path": "values.command"},
        {"name": "current", "unit": "A", "path": "/values/current", "scale": 0.001},
        {"name": "mode", "topic": "gateway/mode", "path": "", "on_change": True},
    ],
}


@pytest.fixture
def broker(tmp_path: Path) -> Iterator[Mosquitto]:
    made = Mosquitto(tmp_path, persistent=True)
    yield made
    made.kill()


def faults_of(raw: dict[str, object]) -> list[str]:
    faults: list[Fault] = []
    read_mqtt_in_settings(Section(faults, "", "instrument[1]", raw), Path)
    return [str(fault) for fault in faults]


def feed(port: int, **more: object) -> MqttInFeed:
    faults: list[Fault] = []
    raw = {"port": port, "valve": [VALVE], **more}
    settings = read_mqtt_in_settings(Section(faults, "", "instrument[1]", raw), Path)
    assert faults == []
    return MqttInFeed(settings)


subscribed: weakref.WeakKeyDictionary[MqttInFeed, list[int]] = weakref.WeakKeyDictionary()
"""An entry for each topic that the broker has answered for."""


def opened(port: int, **more: object) -> MqttInFeed:
    """A feed whose subscriptions the broker has taken."""
    made = feed(port, **more)
    note_subscriptions(made)
    made.open({})
    until(lambda: len(subscribed[made]) == len(made._places) and not made.trouble(0))
    return made


def note_subscriptions(made: MqttInFeed) -> None:
    taken, tell = subscribed.setdefault(made, []), made._when_subscribed

    def when_subscribed(*given: Any) -> None:
        tell(*given)
        taken.append(1)

    made._when_subscribed = when_subscribed  # type: ignore[method-assign]


def all_of(made: MqttInFeed) -> list[TimedReading]:
    """What has come, also what has not settled yet."""
    return made._joiners[0].take(2**62)


def payload(at_ms: float | None, command_ma: object, current_ma: object) -> str:
    body: dict[str, object] = {"values": {"command": command_ma, "current": current_ma}}
    return json.dumps(body if at_ms is None else {"t": at_ms, **body})


def now_ms() -> int:
    return time.time_ns() // MS


def test_values_with_the_time_of_the_payload(broker: Mosquitto) -> None:
    made = opened(broker.port, time="t", time_form="ms")
    broker.publish("gateway/mode", "3")
    take_until(made, bool)  # it has the time of its arrival, which may be that of a row to come
    first = now_ms()
    for step in range(5):
        broker.publish("gateway/press-4", payload(first + 20 * step, 12.0, 500 + step))
    rows = take_until(made, lambda rows: len(rows) >= 5)
    made.close()
    assert [row.wall_ns for row in rows] == [(first + 20 * step) * MS for step in range(5)]
    assert [row.reading.numbers[1] for row in rows] == pytest.approx([0.5, 0.501, 0.502, 0.503, 0.504])
    assert not any(row.reading.failed for row in rows)
    assert made.counts.malformed == 0


def test_values_with_the_time_of_arrival_and_a_channel_that_comes_on_change(broker: Mosquitto) -> None:
    broker.publish("gateway/mode", "3", retain=True)
    made = opened(broker.port)
    began_ns = time.time_ns()
    broker.publish("gateway/press-4", payload(None, 12.0, 500))
    (row,) = take_until(made, bool)
    assert began_ns - MS < row.wall_ns < time.time_ns()
    assert list(row.reading.numbers) == [12.0, 0.5, 3.0]
    assert not row.reading.failed
    broker.publish("gateway/mode", "4")
    rows = take_until(made, bool)
    assert rows[-1].reading.numbers[2] == 4.0
    made.close()


def test_a_retained_value_is_no_new_reading(broker: Mosquitto) -> None:
    broker.publish("gateway/press-4", payload(now_ms() - 3_600_000, 12.0, 500), retain=True)
    made = opened(broker.port, time="t", time_form="ms")
    until(lambda: made.counts.repeated == 1)
    assert all_of(made) == []
    made.close()


def test_the_same_time_again_is_no_new_reading(broker: Mosquitto) -> None:
    made = opened(broker.port, time="t", time_form="ms")
    at = now_ms()
    for _ in range(3):
        broker.publish("gateway/press-4", payload(at, 12.0, 500))
    rows = take_until(made, bool)
    until(lambda: made.counts.repeated == 4)  # two channels, two messages
    rows += all_of(made)
    made.close()
    assert [row.wall_ns for row in rows] == [at * MS]


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("no json", "not JSON"),
        ('{"t": 1, "values": {}}', "is not from 1990 to 2200"),
        ('{"values": {"command": 1}}', "is no number"),
        ('{"t": NOW, "other": 1}', "there is no /values/command or /values/current in it"),
    ],
)
def test_a_malformed_message_is_a_marked_reading_and_counted(broker: Mosquitto, text: str, words: str) -> None:
    made = opened(broker.port, time="t", time_form="ms")
    broker.publish("gateway/press-4", text.replace("NOW", str(now_ms())))
    rows = take_until(made, bool)
    assert {rows[-1].reading.failed[0], rows[-1].reading.failed[1]} == {Reason.NOT_FINITE}
    assert made.counts.malformed == 1
    assert words in made.trouble(0)
    broker.publish("gateway/press-4", payload(now_ms(), 12.0, 500))
    rows = take_until(made, lambda rows: bool(rows) and 0 not in rows[-1].reading.failed)
    assert made.trouble(0) == ""
    made.close()


def test_a_value_that_is_no_number_fails_alone(broker: Mosquitto) -> None:
    made = opened(broker.port, time="t", time_form="ms")
    broker.publish("gateway/press-4", payload(now_ms(), 12.0, "broken wire"))
    (row,) = take_until(made, bool)
    made.close()
    assert row.reading.numbers[0] == 12.0
    assert row.reading.failed[1] is Reason.NOT_FINITE
    assert made.counts.malformed == 0


def test_what_is_published_while_the_connection_is_away_comes_afterwards(broker: Mosquitto) -> None:
    made = opened(broker.port, time="t", time_form="ms", client_id="hall-2-in", silent_s=1)
    first = now_ms()
    broker.publish("gateway/press-4", payload(first, 12.0, 500))
    rows = take_until(made, bool)
    made.close()
    for step in range(1, 6):
        broker.publish("gateway/press-4", payload(first + 20 * step, 12.0, 500 + step))
    again = feed(broker.port, time="t", time_form="ms", client_id="hall-2-in", silent_s=1)
    again.open({"press-4.platen": rows[-1].wall_ns})
    rows += take_until(again, lambda more: len(more) >= 5)
    again.close()
    assert [row.wall_ns for row in rows[:6]] == [(first + 20 * step) * MS for step in range(6)]


def test_silence_and_a_lost_broker_are_marked_once_a_second(broker: Mosquitto) -> None:
    made = opened(broker.port, silent_s=1)
    broker.publish("gateway/press-4", payload(None, 12.0, 500))
    rows = take_until(
        made, lambda rows: len(rows) >= 3 and set(rows[-1].reading.failed.values()) == {Reason.NO_ANSWER}
    )
    assert made.trouble(0) == "nothing is published on gateway/mode, gateway/press-4"
    broker.kill()
    rows += take_until(made, lambda more: bool(more) and Reason.NOT_CONNECTED in more[-1].reading.failed.values())
    assert made.trouble(0).startswith("connection lost") or "no broker answers" in made.trouble(0)
    had = len(subscribed[made])
    broker.start()
    until(lambda: len(subscribed[made]) == had + len(made._places))
    broker.publish("gateway/press-4", payload(None, 13.0, 500))
    rows += take_until(made, lambda more: any(row.reading.numbers[0] == 13.0 for row in more))
    made.close()
    assert all(b.wall_ns > a.wall_ns for a, b in itertools.pairwise(rows))


def test_a_gateway_whose_clock_is_wrong_is_told(broker: Mosquitto) -> None:
    made = opened(broker.port, time="t", time_form="ms")
    broker.publish("gateway/press-4", payload(now_ms() - 3_600_000, 12.0, 500))
    take_until(made, bool)
    said = re.fullmatch(r"the times published are (\d+) s behind the clock of this box", made.trouble(0))
    assert said
    assert 3600 <= int(said[1]) < 3600 + PATIENCE_S
    made.close()


def test_a_gateway_whose_clock_is_put_back_is_told_and_counted(broker: Mosquitto) -> None:
    made = opened(broker.port, time="t", time_form="ms")
    broker.publish("gateway/press-4", payload(now_ms() + 3_600_000, 12.0, 500))
    take_until(made, bool)
    broker.publish("gateway/press-4", payload(now_ms(), 12.0, 500))
    until(lambda: made.counts.late == 2)
    assert all_of(made) == []
    said = re.fullmatch(r"the times published were put back: for (\d+) s values are not taken", made.trouble(0))
    assert said
    assert 3600 - PATIENCE_S < int(said[1]) <= 3600
    made.close()


def test_a_topic_that_may_not_be_read_is_trouble(tmp_path: Path) -> None:
    (tmp_path / "rules").write_text("topic write gateway/#\n")
    broker = Mosquitto(tmp_path, f"allow_anonymous true\nacl_file {tmp_path / 'rules'}")
    made = feed(broker.port, silent_s=1)
    made.open({})
    # Some versions of mosquitto refuse the subscription, others take it; either way nothing comes, and that is said.
    take_until(made, lambda rows: bool(rows) and set(rows[-1].reading.failed.values()) == {Reason.NO_ANSWER})
    assert made.trouble(0)
    made.close()
    broker.kill()


@pytest.fixture
def secured(tmp_path: Path, authorities: tuple[Authority, Authority]) -> Iterator[Mosquitto]:
    """A broker that takes nobody without a certificate of its own authority."""
    ours, _ = authorities
    made = Mosquitto(
        tmp_path,
        "allow_anonymous true\nrequire_certificate true\n"
        f"cafile {ours.file('ca.crt')}\ncertfile {ours.file('broker.crt')}\nkeyfile {ours.file('broker.key')}",
        plain=True,
    )
    yield made
    made.kill()


def identity(of: Authority) -> dict[str, str]:
    return {"certificate_file": of.file("hall-1.crt"), "key_file": of.file("hall-1.key")}


def test_values_over_tls_with_a_certificate_of_ours(
    secured: Mosquitto, authorities: tuple[Authority, Authority]
) -> None:
    made = opened(
        secured.port, ca_file=authorities[0].file("ca.crt"), **identity(authorities[0]), time="t", time_form="ms"
    )
    at_ms = now_ms()
    secured.publish("gateway/press-4", payload(at_ms, 12.0, 500))
    (row,) = take_until(made, bool)
    made.close()
    assert row.wall_ns == at_ms * MS
    assert list(row.reading.numbers[:2]) == [12.0, 0.5]


@pytest.mark.parametrize(
    ("trusted", "shown", "words"),
    [
        (1, 0, "the broker's certificate is not accepted (self-signed certificate in certificate chain)"),
        (0, None, "it may want a certificate of ours, and none is set here"),
        (0, 1, "our certificate may be revoked, ended or of another authority"),
        (None, None, "this may be its port for TLS, which needs the certificate of its authority here"),
    ],
)
def test_a_broker_over_tls_that_is_not_ours_or_does_not_know_us_is_named(
    secured: Mosquitto,
    authorities: tuple[Authority, Authority],
    trusted: int | None,
    shown: int | None,
    words: str,
) -> None:
    more = {} if trusted is None else {"ca_file": authorities[trusted].file("ca.crt")}
    made = feed(secured.port, **more, **({} if shown is None else identity(authorities[shown])))
    made.open({})
    until_s = time.monotonic() + 15
    while words not in made.trouble(0):
        assert time.monotonic() < until_s, made.trouble(0)
        time.sleep(0.05)
    assert made.take(0) == []
    made.close()


def test_a_broker_that_is_not_there_is_trouble_and_no_error() -> None:
    made = feed(free_port())
    made.open({})
    until(lambda: made.trouble(0).startswith("no broker answers"))
    assert made.take(0) == []
    made.close()
    made.close()


_JSON = st.recursive(
    st.none() | st.booleans() | st.integers() | st.floats() | st.text(max_size=5),
    lambda inside: (
        st.lists(inside, max_size=3)
        | st.dictionaries(st.sampled_from(["t", "values", "command", "current"]), inside, max_size=4)
    ),
    max_leaves=8,
)


@given(st.binary(max_size=60) | _JSON.map(lambda found: json.dumps(found).encode()), st.booleans(), st.booleans())
def test_whatever_is_published_is_a_reading_or_counted(text: bytes, retained: bool, timed: bool) -> None:
    made = feed(1, **({"time": "t", "time_form": "s"} if timed else {}))
    made._take_in("gateway/press-4", text, retained=retained)
    rows = [row for joiner in made._joiners for row in joiner.take(2**62)]
    if retained:
        assert rows == []
        return
    for row in rows:
        assert all(math.isfinite(number) for number in row.reading.numbers)
    assert rows or made.counts.late or made.counts.malformed


def test_it_never_publishes() -> None:
    source = inspect.getsource(mqtt_in)
    assert ".publish(" not in source
    assert "will_set" not in source


def test_check_and_once(broker: Mosquitto, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    settings = tmp_path / "box.toml"
    text = (
        f'agent = "hall-2"\n[[instrument]]\nfamily = "mqtt-in"\nport = {broker.port}\nsilent_s = 1\n'
        '[[instrument.valve]]\nid = "press-4.platen"\ntopic = "gateway/x"\n'
        'channel = [{ name = "current", unit = "A" }]\n'
    )
    settings.write_text(text)
    assert command.main([str(settings), "--check"]) == 0
    assert command.main([str(settings), "--once"]) == 1
    assert "nothing is published on gateway/x" in capsys.readouterr().out
    settings.write_text(text.replace("silent_s", 'ca_file = "no.crt"\nsilent_s'))
    assert command.main([str(settings), "--check"]) == 2
    assert "instrument: the files for TLS" in capsys.readouterr().err


@pytest.mark.parametrize(
    ("raw", "part"),
    [
        ({"qos": 3}, "qos = 3: must be a whole number from 0 to 2"),
        ({"time_form": "ms"}, "time_form"),
        ({"time": "a..b"}, 'time = "a..b": must be names parted by dots'),
        ({"time": "t", "time_form": "minutes"}, 'must be one of "iso", "s", "ms", "us", "ns"'),
        ({"hold_s": 0}, "hold_s = 0: must be from 0.05 to 3600 s"),
        ({"valve": [{"id": "v", "topic": "a/#", "channel": [{"name": "x"}]}]}, 'topic = "a/#": must be one topic'),
        ({"valve": [{"id": "v", "channel": [{"name": "x"}]}]}, "topic: missing: the topic it is published on"),
    ],
)
def test_faulty_settings(raw: dict[str, object], part: str) -> None:
    found = faults_of({"valve": [VALVE], **raw})
    assert any(part in fault for fault in found), found
