"""Agent -> broker -> recorder -> acknowledgement, over brokers that others wrote."""

from __future__ import annotations

import pytest

pytestmark = pytest.mark.end_to_end


@pytest.mark.parametrize("transport", ["tcp", "tls", "ws", "wss"])
def test_every_block_arrives_once_and_is_confirmed(broker, whole, tools, transport):
    recorder, agent = whole.recorder(broker, transport), whole.agent(broker, transport, f"by-{transport}")
    agent.offer(300)
    tools.until(lambda: agent.mark == 300)
    agent.offer(50)
    tools.until(lambda: agent.mark == 350)
    tools.everything_arrived(recorder, agent, 350)
    assert recorder.link.protocol == f"MQTT {broker.mqtt}"
    tools.until(recorder.hearing.proved)
    assert recorder.hearing.trouble() == ""
    assert agent.delivery.alarm == ""
    tools.until(lambda: agent.name in recorder.ingest.agents)


def test_what_came_while_the_recorder_was_away_arrives_when_it_is_back(broker, whole, tools):
    recorder, agent = whole.recorder(broker), whole.agent(broker, name="away")
    agent.offer(20)
    tools.until(lambda: agent.mark == 20)
    whole.end(recorder)
    agent.offer(200)
    tools.until(lambda: agent.delivery.connected and agent.sessions[-1].in_flight == 0)
    assert agent.mark == 20  # a broker's word is no recorder's
    recorder = whole.recorder(broker)
    tools.until(lambda: agent.mark == 220)
    tools.everything_arrived(recorder, agent, 220)


@pytest.mark.parametrize("name", ["mosquitto", "aedes", "mochi-mqtt", "RabbitMQ"])
def test_a_broker_that_dies_and_forgets_all_loses_nothing(start_broker, whole, tools, name):
    broker = start_broker(name)
    recorder, agent = whole.recorder(broker), whole.agent(broker, name="again")
    agent.offer(100)
    tools.until(lambda: agent.mark == 100)
    broker.kill()
    agent.offer(100)
    tools.until(lambda: not recorder.link.connected)
    broker.start()
    tools.until(lambda: agent.mark == 200)
    tools.everything_arrived(recorder, agent, 200)


@pytest.mark.parametrize("name", ["mosquitto", "mochi-mqtt", "RabbitMQ"])
def test_a_broker_that_takes_few_at_a_time_is_not_overrun(start_broker, whole, tools, name):
    """MQTT 5.0, 3.3.4: who has more under way than the broker's Receive Maximum is hung up on (reason 0x93)."""
    broker = start_broker(name, tools.limits(receive_maximum=3))
    recorder, agent = whole.recorder(broker), whole.agent(broker, name="few")
    agent.offer(300)
    tools.until(lambda: agent.mark == 300)
    tools.everything_arrived(recorder, agent, 300)
    assert agent.delivery.connections == 1


def test_a_block_larger_than_the_broker_takes_is_kept_and_said(start_broker, whole, tools):
    """MQTT 5.0, 3.2.2.3.6: a packet larger than the broker's Maximum Packet Size must not be sent."""
    broker = start_broker("mosquitto", tools.limits(packet_bytes=2000))
    recorder, agent = whole.recorder(broker), whole.agent(broker, name="large")
    agent.offer(10)
    tools.until(lambda: agent.mark == 10)
    agent.offer(1, readings=1000)
    tools.until(lambda: agent.sessions[-1].too_large)
    assert "the broker takes at most 2000" in agent.sessions[-1].too_large
    agent.offer(5)
    tools.until(lambda: recorder.ingest.counters.blocks == 15)
    assert (agent.mark, agent.delivery.connections) == (10, 1)
    broker.kill()
    broker.limits = tools.limits()
    broker.start()
    tools.until(lambda: agent.mark == 16)
    tools.everything_arrived(recorder, agent, 16)
    assert agent.sessions[-1].too_large == ""


def test_a_broker_that_hangs_up_on_a_large_block_without_a_word_is_said(start_broker, whole, tools, caplog):
    """This one has a limit and does not tell it; the connection ends again and again."""
    broker = start_broker("mochi-mqtt", tools.limits(packet_bytes=2000))
    recorder, agent = whole.recorder(broker), whole.agent(broker, name="large")
    agent.offer(10)
    tools.until(lambda: agent.mark == 10)
    agent.offer(1, readings=1000)
    tools.until(lambda: agent.delivery.connections > 2)
    said = [one.getMessage() for one in caplog.records if "the broker closed the connection" in one.getMessage()]
    assert "or the broker's limit on the size of messages is below the" in said[0]
    broker.kill()
    broker.limits = tools.limits()
    broker.start()
    tools.until(lambda: agent.mark == 11)
    tools.everything_arrived(recorder, agent, 11)


def test_a_queue_too_short_for_what_waits_loses_nothing(start_broker, whole, tools):
    broker = start_broker("mosquitto", tools.limits(queue_messages=10))
    recorder, agent = whole.recorder(broker), whole.agent(broker, name="short")
    agent.offer(1)
    tools.until(lambda: agent.mark == 1)
    whole.end(recorder)
    agent.offer(300)
    tools.until(lambda: agent.sessions[-1].in_flight == 0)
    recorder = whole.recorder(broker)
    tools.until(lambda: agent.mark == 301)
    tools.everything_arrived(recorder, agent, 301)


@pytest.mark.parametrize("transport", ["tcp", "wss"])
def test_a_port_that_is_none_for_websockets_is_said(start_broker, whole, tools, caplog, transport):
    broker = start_broker("mosquitto")
    broker.ports["ws"] = broker.ports[transport]
    recorder, agent = whole.recorder(broker, "ws"), whole.agent(broker, "ws", "lost")
    wanted = "is this the broker's port for WebSockets"
    tools.until(lambda: wanted in recorder.link.last_error)
    tools.until(
        lambda: any(wanted in one.getMessage() for one in caplog.records if one.name.startswith("asleft.edge"))
    )
    assert agent.mark == 0


@pytest.mark.parametrize("name", ["mosquitto", "RabbitMQ"])
def test_an_id_with_a_dot_arrives_or_the_agent_names_the_dot(start_broker, whole, tools, monkeypatch, name):
    """One broker turns a '.' of a topic into a level, so that nothing arrives; it says so to nobody."""
    monkeypatch.setattr("asleft.edge.delivery_core.STALLED_S", 3.0)
    broker = start_broker(name)
    recorder, agent = whole.recorder(broker), whole.agent(broker, name="hall.7")
    agent.offer(20)
    if name == "RabbitMQ":
        tools.until(lambda: "the agent's id has a '.'" in agent.delivery.alarm)
        assert (agent.mark, recorder.ingest.counters.blocks) == (0, 0)
    else:
        tools.until(lambda: agent.mark == 20)
        tools.everything_arrived(recorder, agent, 20)
        assert agent.delivery.alarm == ""


def test_a_box_that_is_replaced_goes_on_under_its_name_and_certificate(start_broker, whole, tools, tmp_path):
    """The new one has an empty spool: what it sends is a stream of its own, beside all that the old one sent."""
    broker = start_broker("mosquitto")
    recorder, agent = whole.recorder(broker, "tls"), whole.agent(broker, "tls", "box")
    agent.offer(20)
    tools.until(lambda: agent.mark == 20)
    whole.end(agent)
    for file in tmp_path.glob("box.db*"):
        file.unlink()
    again = whole.agent(broker, "tls", "box")
    again.offer(30)
    tools.until(lambda: again.mark == 30)
    found = sorted((mark.mark, mark.stored, mark.declared_gap) for mark in recorder.store.marks())
    assert found == [(20, 20, 0), (30, 30, 0)]
    assert recorder.ingest.counters.unusable == 0
