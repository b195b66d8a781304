"""Sparkplug B: decoded by a library that is not ours, and the rules of specification 3.0 checked over what was sent.

The rules are written down from the specification's own statements (their ids stand beside them).
"""

from __future__ import annotations

import importlib.util
import sys
from pathlib import Path

import paho.mqtt.client as mqtt
import pytest
from asleft.outlets.plant import look
from asleft.outlets.settings import SAMPLE, Broker, SparkplugSettings, read_settings
from asleft.outlets.sparkplug.metrics import Metric, Type, commands_in
from asleft.outlets.sparkplug.node import Node
from asleft.outlets.sparkplug.outlet import Sparkplug, devices_of
from asleft.recorder.broker_link import BrokerAccess
from asleft.wire.settings_faults import SettingsError
from hypothesis import given
from hypothesis import strategies as st
from npm_package import node_modules

SERVERS = {"decoder": "sparkplug-payload 1.0.3 (npm)"}
S = 10**9
V = "press-2.clamp"
AT_MS = 1_795_532_527_000
TOPIC = "spBv1.0/plant/{}/asleft"


def load(name):
    spec = importlib.util.spec_from_file_location(name, Path(__file__).parent / f"{name}.py")
    module = sys.modules[name] = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


@pytest.fixture(scope="module")
def decoder():
    theirs = load("sparkplug_decoder")
    modules = node_modules(theirs.PACKAGE)
    if isinstance(modules, str):
        pytest.skip(f"not here: sparkplug-payload: {modules}")
    return theirs.Decoder(modules)


@pytest.fixture
def node():
    return Node("plant", "asleft", "1.0")


def check_rules(messages) -> None:
    """What a host may rely on, over (topic, decoded payload) of one node in order, wills among them."""
    seq = bd_seq = None
    devices: dict[str, dict[str, str]] = {}
    for topic, payload in messages:
        namespace, group, kind, name, *device = topic.split("/")
        assert (namespace, group, name) == ("spBv1.0", "plant", "asleft")
        metrics = {one["name"]: one for one in payload.get("metrics", [])}
        if kind == "NDEATH":
            assert "seq" not in payload  # tck-id-payloads-ndeath-seq
            assert list(metrics) == ["bdSeq"]
            assert metrics["bdSeq"]["value"] == bd_seq  # tck-id-payloads-ndeath-bdseq: that of the birth
            seq, devices = None, {}
            continue
        assert payload["timestamp"] > 0  # tck-id-payloads-timestamp-in-UTC
        if kind == "NBIRTH":
            assert payload["seq"] == 0  # 0 to 255, begins again at each birth
            assert metrics["Node Control/Rebirth"]["value"] is False  # tck-id-payloads-nbirth-rebirth-req
            assert metrics["Node Control/Rebirth"]["type"] == "Boolean"
            assert 0 <= metrics["bdSeq"]["value"] <= 255  # tck-id-payloads-nbirth-bdseq
            bd_seq, devices = metrics["bdSeq"]["value"], {}
        else:
            assert seq is not None, f"{kind} before NBIRTH"  # tck-id-topics-dbirth-...: after the node's birth
            assert payload["seq"] == (seq + 1) % 256  # tck-id-payloads-sequence-num-incrementing
        seq = payload["seq"]
        if kind == "DBIRTH":
            devices[device[0]] = {one: metrics[one]["type"] for one in metrics}
        elif kind == "DDATA":
            born = devices[device[0]]  # tck-id-payloads-ddata-order: never before its DBIRTH
            assert {one: metrics[one]["type"] for one in metrics}.items() <= born.items()
        elif kind == "DDEATH":
            del devices[device[0]]


def decoded(decoder, messages):
    payloads = decoder.decode([one.payload for one in messages])
    return [(one.topic, payload) for one, payload in zip(messages, payloads, strict=True)]


def test_a_birth_says_everything_with_units(decoder, node, source):
    plant = look(source)
    node.connecting(AT_MS)
    messages = decoded(decoder, node.birth(devices_of(plant), AT_MS))
    check_rules(messages)
    assert [topic.split("/")[2] for topic, _ in messages] == ["NBIRTH", *["DBIRTH"] * 7]  # one valve is silent
    clamp = dict(messages)[f"{TOPIC.format('DBIRTH')}/{V}"]
    metrics = {one["name"]: one for one in clamp["metrics"]}
    found = metrics["ramp up/As Found"]
    judged = next(one for one in plant.quantities[V] if one.id == "ramp_up")
    assert (found["type"], found["value"]) == ("Double", judged.as_found)
    assert found["properties"]["engUnit"] == {"type": "String", "value": "s"}
    assert metrics["ramp up/Tolerance Used"]["value"] == 312.0
    assert metrics["ramp up/Tolerance Used"]["properties"]["engUnit"]["value"] == "%"
    assert metrics["ramp up/Verdict"]["value"] == "out"
    assert metrics["Status"]["value"] == "out-of-specification"
    assert metrics["Judged Until"]["type"] == "DateTime"
    assert metrics["Judged Until"]["value"] == 1_795_532_520_000


def test_what_was_not_observed_is_null_and_no_number(decoder, node, source):
    node.connecting(AT_MS)
    messages = dict(decoded(decoder, node.birth(devices_of(look(source)), AT_MS)))
    metrics = {one["name"]: one for one in messages[f"{TOPIC.format('DBIRTH')}/press-2.platen"]["metrics"]}
    for what in ("As Found", "Tolerance Used"):
        assert metrics[f"ramp up/{what}"]["value"] is None
        assert metrics[f"ramp up/{what}"]["type"] == "Double"
    assert metrics["ramp up/Verdict"]["value"] == "not-observed"


def test_only_what_changes_is_said_and_seq_goes_round(decoder, node):
    sent = []
    node.connecting(AT_MS)

    def device(value, unit="s"):
        return {"v": [Metric("a", Type.DOUBLE, value, unit), Metric("b", Type.STRING, "x")]}

    sent += node.birth(device(0.0), AT_MS)
    assert node.data(device(0.0), AT_MS) == []
    for k in range(1, 600):
        (message,) = node.data(device(float(k)), AT_MS + k)
        sent.append(message)
    sent += node.data({**device(600.0), "w": [Metric("a", Type.DOUBLE, None)]}, AT_MS)
    sent += node.data(device(600.0, "bar"), AT_MS)  # w goes, v is of another unit: born again
    messages = decoded(decoder, sent)
    check_rules(messages)
    assert {payload["seq"] for _, payload in messages} == set(range(256))
    assert [one["name"] for one in messages[2][1]["metrics"]] == ["a"]
    assert [topic.split("/")[2] for topic, _ in messages[-4:]] == ["DDATA", "DBIRTH", "DDEATH", "DBIRTH"]


def test_bdseq_ties_a_birth_to_its_will_and_goes_round(decoder, node):
    for connection in range(300):
        will = node.connecting(AT_MS)
        (birth,) = node.birth({}, AT_MS)
        assert (will.retain, will.qos, birth.retain, birth.qos) == (False, 1, False, 0)
        if connection % 50 == 0 or connection > 254:
            messages = decoded(decoder, [birth, will, birth])
            check_rules(messages[:2])
            assert messages[1][1]["metrics"][0]["value"] == connection % 256
            assert messages[1][1]["metrics"][0]["type"] == "Int64"


def test_nothing_is_said_before_a_birth(node):
    node.connecting(AT_MS)
    assert node.data({"v": [Metric("a", Type.DOUBLE, 1.0)]}, AT_MS) == []


def test_the_rules_would_notice(decoder, node):
    node.connecting(AT_MS)
    birth = node.birth({"v": [Metric("a", Type.DOUBLE, 1.0)]}, AT_MS)
    data = node.data({"v": [Metric("a", Type.DOUBLE, 2.0)]}, AT_MS)
    messages = decoded(decoder, [*birth, *data])
    check_rules(messages)
    for wrong in (messages[1:], messages[:1] + messages[2:], [messages[0], messages[2]], [*messages, messages[-1]]):
        with pytest.raises((AssertionError, KeyError)):
            check_rules(wrong)


def command(decoder, name, value=True, kind="Boolean"):
    return decoder.encode({"timestamp": AT_MS, "metrics": [{"name": name, "type": kind, "value": value}]})


def test_a_rebirth_is_all_that_is_done_when_asked(decoder, node):
    node_command, device_command = TOPIC.format("NCMD"), f"{TOPIC.format('DCMD')}/{V}"
    rebirth = command(decoder, "Node Control/Rebirth")
    assert node.asks_rebirth(node_command, commands_in(rebirth))
    assert node.refused == 0
    refused = [
        (node_command, command(decoder, "Node Control/Rebirth", value=False)),
        (node_command, command(decoder, "Node Control/Reboot")),
        (device_command, command(decoder, "ramp up/As Left", 2.0, "Double")),
        (device_command, rebirth),
        (node_command, b""),
        (node_command, b"\xff\xff no payload"),
        (node_command, rebirth + b"\x00" * 70_000),
    ]
    for count, (topic, raw) in enumerate(refused, 1):
        assert not node.asks_rebirth(topic, commands_in(raw))
        assert node.refused == count


@given(st.binary(max_size=300))
def test_whatever_bytes_come_they_are_counted_and_nothing_is_done(raw):
    node = Node("plant", "asleft", "1.0")
    commands = commands_in(raw)
    assert node.asks_rebirth(TOPIC.format("NCMD"), commands) == (("Node Control/Rebirth", True) in commands)
    assert node.refused >= 1 or commands == [("Node Control/Rebirth", True)]


# ------------------------------------------------------------------------------------------ at a real broker


class Host:
    """Another program at the broker: hears everything of the group, commands aside."""

    def __init__(self, port: int) -> None:
        self.heard: list[tuple[str, bytes, int, bool]] = []
        self.client = mqtt.Client(mqtt.CallbackAPIVersion.VERSION2)
        self.client.on_message = self._hear
        self.client.connect("127.0.0.1", port)
        self.client.subscribe("spBv1.0/#", 1)
        self.client.loop_start()

    def _hear(self, _client, _userdata, message):
        if "CMD" not in message.topic:
            self.heard.append((message.topic, message.payload, message.qos, message.retain))

    def kinds(self) -> list[str]:
        return [topic.split("/")[2] for topic, *_ in self.heard]

    def checked(self, decoder) -> list[dict]:
        heard = list(self.heard)
        payloads = decoder.decode([raw for _, raw, *_ in heard])
        check_rules([(topic, payload) for (topic, *_), payload in zip(heard, payloads, strict=True)])
        assert not any(retain for *_, retain in heard)
        return payloads


@pytest.fixture
def host(mosquitto):
    made = Host(mosquitto.port)
    wait(made.client.is_connected)
    yield made
    made.client.disconnect()
    made.client.loop_stop()


def wait(true, longest_s=120.0):
    import time

    end = time.monotonic() + longest_s
    while time.monotonic() < end:
        found = true()
        if found:
            return found
        time.sleep(0.02)
    raise AssertionError(f"waited {longest_s:g} s in vain")


@pytest.fixture
def sparkplug(mosquitto, door, plant):
    access = BrokerAccess()
    made = Sparkplug(
        SparkplugSettings("plant", Broker("asleft", "127.0.0.1", mosquitto.port, access)),
        door.store.outbox,
        lambda: plant.now,
    )
    yield made
    made.stop()


def test_born_when_somebody_has_looked_and_dead_when_cut_off(host, sparkplug, source, plant, decoder):
    sparkplug.link.start()
    wait(lambda: sparkplug.link.up)
    assert host.heard == []  # nothing is known yet: nothing is said
    sparkplug.round(look(source))
    wait(lambda: len(host.heard) == 8)
    plant._judgements[V]["status"] = "failure"
    assert sparkplug.round(look(source)) == 1
    wait(lambda: host.kinds()[-1] == "DDATA")
    sparkplug.link._client.socket().shutdown(2)  # cut off, without a word
    wait(lambda: host.kinds().count("NBIRTH") == 2)
    wait(lambda: len(host.heard) == 18)
    assert host.kinds() == ["NBIRTH", *["DBIRTH"] * 7, "DDATA", "NDEATH", "NBIRTH", *["DBIRTH"] * 7]
    payloads = host.checked(decoder)
    (died,) = payloads[9]["metrics"]
    (before,), (after,) = ([m for m in payloads[k]["metrics"] if m["name"] == "bdSeq"] for k in (0, 10))
    assert (before["value"], died["value"], after["value"]) == (0, 0, 1)
    assert [qos for *_, qos, _ in host.heard[9:11]] == [1, 0]


def test_a_silent_valve_dies_and_is_born_again(host, sparkplug, source, plant, decoder):
    sparkplug.link.start()
    wait(lambda: sparkplug.link.up)
    sparkplug.round(look(source))
    plant.reading_lag_ns = 70 * S
    sparkplug.round(look(source))
    wait(lambda: host.kinds().count("DDEATH") == 7)
    plant.reading_lag_ns = S
    sparkplug.round(look(source))
    wait(lambda: host.kinds().count("DBIRTH") == 14)
    sparkplug.blind()
    wait(lambda: host.kinds().count("DDEATH") == 14)
    host.checked(decoder)


def said(host) -> list[object]:
    """How many refusals the node has told of, each time."""
    return [value for _, raw, *_ in host.heard for name, value in commands_in(raw) if name == "Commands Refused"]


def test_a_rebirth_and_a_refusal_over_the_broker(host, sparkplug, source, decoder, monkeypatch):
    monkeypatch.setattr("asleft.outlets.sparkplug.outlet.REBIRTH_EVERY_S", 3600.0)
    sparkplug.link.start()
    wait(lambda: sparkplug.link.up)
    sparkplug.round(look(source))
    wait(lambda: len(host.heard) == 8)
    host.client.publish(f"{TOPIC.format('DCMD')}/{V}", command(decoder, "ramp up/As Left", 2.0, "Double"), 1)
    wait(lambda: sparkplug.node.refused == 1)
    sparkplug.round(look(source))
    wait(lambda: host.kinds()[-1] == "NDATA")
    for _ in range(20):
        host.client.publish(TOPIC.format("NCMD"), command(decoder, "Node Control/Rebirth"), 1)
    host.client.publish(TOPIC.format("NCMD"), b"none", 1)
    wait(lambda: sparkplug.node.refused == 2)  # so what came before it has been heard as well
    sparkplug.round(look(source))
    wait(lambda: said(host)[-1] == 2 and host.kinds().count("DBIRTH") == 7 * host.kinds().count("NBIRTH"))
    assert host.kinds().count("NBIRTH") == 2, "twenty who ask within that time are answered by one birth"
    payloads = host.checked(decoder)
    metrics = [(one["name"], one["value"]) for payload in payloads for one in payload["metrics"]]
    assert {value for name, value in metrics if name == "bdSeq"} == {0}  # the will of this connection is the same
    assert [value for name, value in metrics if name == "Commands Refused"][-1] == 2


def test_a_stop_is_a_death_and_the_next_start_goes_on_counting(host, sparkplug, source, door, plant, decoder):
    sparkplug.link.start()
    wait(lambda: sparkplug.link.up)
    sparkplug.round(look(source))
    sparkplug.stop()
    wait(lambda: host.kinds()[-1:] == ["NDEATH"])
    again = Sparkplug(sparkplug.settings, door.store.outbox, lambda: plant.now)
    again.link.start()
    wait(lambda: again.link.up)
    again.round(look(source))
    wait(lambda: host.kinds().count("NBIRTH") == 2)
    again.stop()
    wait(lambda: host.kinds().count("NDEATH") == 2)
    payloads = host.checked(decoder)
    assert [p["metrics"][0]["value"] for p, k in zip(payloads, host.kinds(), strict=True) if k == "NDEATH"] == [0, 1]


def test_its_settings():
    text = SAMPLE.replace("# [sparkplug] ", "[sparkplug] ").replace('# group = "plant"', 'group = "plant"')
    text = text.replace('# name = "asleft"', 'name = "asleft"').replace('# host = "127.0.0.1"', 'host = "127.0.0.1"')
    environment = {"ASLEFT_HOOK": "https://hooks.plant.example/in", "ASLEFT_HOOK_SECRET": "A" * 44}
    found = read_settings(text, source="outlets.toml", environment=environment)
    assert (found.sparkplug.group, found.sparkplug.broker.name) == ("plant", "asleft")
    for change, told in (
        (('group = "plant"', 'group = "a/b"'), "a name without /"),
        (('group = "plant"', ""), "sparkplug.group: missing"),
        (('name = "asleft"', 'name = "outlet"'), "must differ from mqtt.name"),
    ):
        with pytest.raises(SettingsError) as raised:
            read_settings(text.replace(*change), source="outlets.toml", environment=environment)
        assert told in str(raised.value)
