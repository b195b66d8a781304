"""The shell round the client library, against real brokers."""

from __future__ import annotations

import socket
import threading
from contextlib import suppress

import paho.mqtt.client as mqtt
import pytest
from asleft.recorder.broker_link import BrokerLink
from paho.mqtt.enums import CallbackAPIVersion


class Listener:
    def __init__(self):
        self.log, self.raises = [], False
        self.link = None
        self.acknowledge = True

    def connected(self):
        self.log.append("up")

    def disconnected(self):
        self.log.append("down")

    def message(self, topic, payload, packet):
        if self.raises:
            raise RuntimeError("a message nobody expected")
        self.log.append((topic, payload))
        if self.acknowledge:
            self.link.acknowledge(packet)


@pytest.fixture
def linked():
    made = []

    def link(port, **attributes):
        listener = Listener()
        for name, value in attributes.items():
            setattr(listener, name, value)
        one = BrokerLink("127.0.0.1", port, "recorder-under-test", ["in/+"])
        listener.link = one
        one.start(listener)
        made.append(one)
        return one, listener

    yield link
    for one in made:
        one.stop()


@pytest.fixture
def publisher():
    clients = []

    def connect(port):
        client = mqtt.Client(CallbackAPIVersion.VERSION2, protocol=mqtt.MQTTv311)
        client.connect("127.0.0.1", port)
        client.loop_start()
        clients.append(client)
        return client

    yield connect
    for client in clients:
        client.disconnect()
        client.loop_stop()


def maintained(link, condition):
    def check():
        link.maintain()
        return condition()

    return check


def test_mqtt_5_with_a_session_that_keeps_what_was_not_acknowledged(mosquitto, linked, publisher, tools):
    link, listener = linked(mosquitto.port, acknowledge=False)
    tools.until(lambda: link.connected)
    assert link.protocol == "MQTT 5"
    sender = publisher(mosquitto.port)
    sender.publish("in/a", b"1", 1)
    tools.until(lambda: ("in/a", b"1") in listener.log)
    link.stop()
    assert listener.log == ["up", ("in/a", b"1"), "down"]
    sender.publish("in/a", b"2", 1).wait_for_publish(5)
    _, listener = linked(mosquitto.port)
    tools.until(lambda: len(listener.log) == 3)
    assert listener.log == ["up", ("in/a", b"1"), ("in/a", b"2")]


def test_what_is_published_is_retained(mosquitto, linked, publisher, tools):
    link, _ = linked(mosquitto.port)
    tools.until(lambda: link.connected)
    link.publish("out/a", b"word")
    seen = []
    late = publisher(mosquitto.port)
    late.on_message = lambda _c, _u, message: seen.append((message.payload, message.retain))
    # A subscriber that comes before the word sees it live; each later subscription is given what the broker retained.
    tools.until(lambda: (late.subscribe("out/a", 1), (b"word", True) in seen)[1], every_s=0.1)
    assert {payload for payload, _ in seen} == {b"word"}


def test_a_broker_that_dies_and_comes_back(mosquitto, linked, publisher, tools):
    link, listener = linked(mosquitto.port)
    tools.until(lambda: link.connected)
    mosquitto.kill()
    tools.until(lambda: not link.connected)
    assert listener.log == ["up", "down"]
    mosquitto.start()
    tools.until(maintained(link, lambda: link.connected))
    publisher(mosquitto.port).publish("in/b", b"x", 1)
    tools.until(lambda: ("in/b", b"x") in listener.log)
    assert link.protocol == "MQTT 5"
    assert link.reconnects == 2


def test_an_exception_in_the_listener_does_not_end_the_network_thread(mosquitto, linked, publisher, tools):
    link, listener = linked(mosquitto.port, raises=True)
    tools.until(lambda: link.connected)
    sender = publisher(mosquitto.port)
    sender.publish("in/c", b"1", 1)
    tools.until(lambda: link.callback_failures == 1)
    assert "nobody expected" in link.last_error
    listener.raises = False
    sender.publish("in/c", b"2", 1)
    tools.until(lambda: ("in/c", b"2") in listener.log)


def test_a_dead_network_thread_is_noticed_and_replaced(mosquitto, linked, tools, monkeypatch):
    monkeypatch.setattr(threading, "excepthook", lambda _args: None)  # made to fail on purpose: no news
    link, listener = linked(mosquitto.port)
    tools.until(lambda: link.connected)
    thread = link._thread
    link._client.on_socket_close = lambda *_: None
    link._client._loop = lambda *_: 1 / 0  # as a fault inside the library would
    tools.until(lambda: not thread.is_alive())
    tools.until(maintained(link, lambda: link.thread_failures == 1))
    tools.until(lambda: listener.log.count("up") == 2)


def test_a_broker_that_knows_only_the_older_protocol(amqtt, linked, publisher, tools):
    link, listener = linked(amqtt)
    tools.until(maintained(link, lambda: link.connected))
    assert link.protocol == "MQTT 3.1.1"
    publisher(amqtt).publish("in/d", b"x", 1)
    tools.until(lambda: ("in/d", b"x") in listener.log)


def test_no_broker_yet(linked, tools):
    link, listener = linked(tools.free_port())
    tools.until(lambda: link.last_error == "no broker answers")
    link.maintain()
    link.acknowledge(1)
    link.publish("out/a", b"x")
    assert listener.log == []
    assert not link.connected


def test_a_port_that_closes_every_connection_says_what_to_look_at_in_one_line(linked, tools, caplog):
    """As a port for TLS does that is spoken to in the clear, or a broker that does not want our certificate."""
    closed = []
    with socket.create_server(("127.0.0.1", 0)) as server:

        def refuse():
            with suppress(OSError):
                while True:
                    one, _ = server.accept()
                    closed.append(one.getsockname())
                    one.close()

        threading.Thread(target=refuse, daemon=True).start()
        link, _ = linked(server.getsockname()[1])
        tools.until(maintained(link, lambda: len(closed) >= 4))
        assert "this may be its port for TLS" in link.last_error
        server.shutdown(socket.SHUT_RDWR)
    said = [record.getMessage() for record in caplog.records if record.levelname in ("ERROR", "WARNING")]
    assert sum("no connection to the broker" in line for line in said) == 1
    assert len(said) <= 3
