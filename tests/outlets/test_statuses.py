"""Statuses at a real broker: retained, dated, renewed, and whether anybody is there to say them."""

from __future__ import annotations

import json

import paho.mqtt.client as mqtt
import pytest
from asleft.outlets.plant import look
from asleft.outlets.settings import Broker
from asleft.outlets.statuses import Statuses
from asleft.recorder.broker_link import BrokerAccess
from asleft.wire.topics import parse_topic, status_topic

S = 10**9
V = "press-2.clamp"


def until(true, longest_s=120.0):
    import time

    end = time.monotonic() + longest_s
    while time.monotonic() < end:
        found = true()
        if found:
            return found
        time.sleep(0.02)
    raise AssertionError(f"waited {longest_s:g} s in vain")


class Listener:
    """Another program at the broker."""

    def __init__(self, port: int) -> None:
        self.kept: dict[str, dict] = {}
        self.count = 0
        self._client = mqtt.Client(mqtt.CallbackAPIVersion.VERSION2)
        self._client.on_message = self._hear
        self._client.on_connect = lambda client, *_: client.subscribe("asleft/1/#", 1)
        self._client.connect("127.0.0.1", port)
        self._client.loop_start()

    def _hear(self, _client, _userdata, message):
        self.count += 1
        self.kept[message.topic] = json.loads(message.payload) if message.payload else None

    def close(self):
        self._client.disconnect()
        self._client.loop_stop()


@pytest.fixture
def statuses(mosquitto):
    made = Statuses(Broker("outlet", "127.0.0.1", mosquitto.port, BrokerAccess()))
    made.link.start()
    until(lambda: made.link.up)
    yield made
    made.stop()


@pytest.fixture
def listen(mosquitto):
    made = []

    def start():
        made.append(Listener(mosquitto.port))
        return made[-1]

    yield start
    for one in made:
        one.close()


def test_who_comes_later_knows_at_once(statuses, source, listen):
    assert statuses.round(look(source)) == 8
    late = listen()
    until(lambda: len(late.kept) == 9)
    clamp = late.kept[f"asleft/1/status/{V}"]
    assert clamp["schema"] == {"name": "asleft.status", "version": 1}
    assert (clamp["status"], clamp["verdicts"]["ramp_up"]) == ("out-of-specification", "out")
    assert (clamp["at"], clamp["holds_until"]) == ("2026-11-24T15:02:07.000Z", "2026-11-24T15:05:07.000Z")
    assert clamp["judged_until"] == "2026-11-24T15:02:03.200Z"
    assert late.kept["asleft/1/outlet/outlet"]["online"] is True


def test_it_is_said_anew_when_it_changes_and_before_it_holds_no_longer(statuses, source, plant):
    statuses.round(look(source))
    plant.now += 5 * S
    assert statuses.round(look(source)) == 0
    plant.reading_lag_ns = 3600 * S
    assert statuses.round(look(source)) == 7  # one was silent before
    plant.now += 60 * S
    plant.reading_lag_ns = 3660 * S
    assert statuses.round(look(source)) == 8


def test_a_silent_valve_is_not_good(statuses, source, plant, listen):
    plant.reading_lag_ns = 3600 * S
    statuses.round(look(source))
    late = listen()
    until(lambda: len(late.kept) == 9)
    assert "good" not in {one["status"] for one in late.kept.values() if "status" in one}


def test_a_valve_that_is_gone_is_taken_away(statuses, source, listen):
    statuses.round(look(source))
    found = look(source)
    rows = {valve: row for valve, row in found.rows.items() if valve != V}
    statuses.round(type(found)(found.now_ns, rows, found.quantities, found.log, found.judged_until_ns))
    late = listen()
    until(lambda: len(late.kept) == 8)
    assert f"asleft/1/status/{V}" not in late.kept


def test_the_broker_says_so_when_nobody_says_statuses_any_more(statuses, source, listen):
    statuses.round(look(source))
    other = listen()
    until(lambda: len(other.kept) == 9)
    statuses.link._client.socket().shutdown(2)  # cut off, without a word
    until(lambda: other.kept["asleft/1/outlet/outlet"]["online"] is False)
    until(lambda: other.kept["asleft/1/outlet/outlet"]["online"] is True)  # it comes back by itself
    assert statuses.round(look(source)) == 8  # and says all anew


def test_a_stop_is_said(statuses, listen):
    other = listen()
    until(lambda: other.kept.get("asleft/1/outlet/outlet", {}).get("online") is True)
    statuses.stop()
    until(lambda: other.kept["asleft/1/outlet/outlet"]["online"] is False)


def test_a_broker_that_is_away_keeps_nobody_waiting(statuses, source, mosquitto):
    mosquitto.kill()
    until(lambda: not statuses.link.up)
    assert statuses.round(look(source)) == 0
    mosquitto.start()
    until(lambda: statuses.link.up)
    assert statuses.round(look(source)) == 8


def test_a_status_is_none_of_the_recorders_topics():
    assert parse_topic(status_topic(V)) is None
    with pytest.raises(ValueError, match="cannot name a valve"):
        status_topic("a/b")
