from __future__ import annotations

import pytest
from asleft.recorder.watchdog import Watchdog
from asleft.store.protocols import StreamMark
from asleft.wire.block import AgentState


class Plant:
    """Says the same every five seconds until something is changed."""

    def __init__(self):
        self.dog = Watchdog(0.0)
        self.now_s = 0.0
        self.connected = True
        self.busy_since_s = None
        self.highest = self.mark = 0
        self.online, self.speaks = True, True
        self.generates = self.stores = True
        self.heard_ns = 0

    def look(self, seconds):
        for _ in range(round(seconds / 5)):
            self.now_s += 5
            self.highest += 5 * self.generates
            self.mark = self.highest if self.stores else self.mark
            self.heard_ns = round(self.now_s * 1e9) if self.speaks else self.heard_ns
            state = AgentState("edge-1", self.online, "s", self.highest, self.mark, 0)
            alarms = self.dog.look(
                self.now_s,
                round(self.now_s * 1e9),
                busy_since_s=self.busy_since_s,
                connected=self.connected,
                agents={"edge-1": (state, self.heard_ns)},
                marks=[StreamMark("edge-1", "s", self.mark, 0, 0, 0)],
            )
        return alarms


@pytest.fixture
def plant():
    made = Plant()
    assert made.look(120) == []
    return made


def test_blocks_that_wait_are_an_alarm_until_they_come(plant, caplog):
    plant.stores = False
    assert plant.look(25) == []
    (alarm,) = plant.look(60)
    assert "blocks of agent edge-1 wait" in alarm
    assert len([record for record in caplog.records if record.levelname == "ERROR"]) == 1
    plant.stores = True
    assert plant.look(5) == []


def test_an_agent_with_nothing_to_send_is_no_alarm(plant):
    plant.generates = False
    assert plant.look(600) == []


def test_an_agent_that_falls_silent_is_an_alarm_and_one_that_said_goodbye_is_not(plant):
    plant.speaks = False
    assert "has said nothing for" in plant.look(60)[0]
    plant.online = False
    assert plant.look(60) == []


def test_a_writer_that_hangs_is_an_alarm(plant):
    plant.busy_since_s = plant.now_s
    assert plant.look(20) == []
    assert "storing one batch for" in plant.look(60)[0]


def test_a_broker_that_stays_away_is_one_alarm_and_its_agents_are_not_blamed(plant):
    plant.connected = plant.stores = plant.speaks = False
    (alarm,) = plant.look(300)
    assert "no broker for 300 s" in alarm


@pytest.mark.parametrize("cause", ["", "http://10.0.0.7:8086 cannot be reached"])
def test_nothing_stored_while_agents_have_blocks_is_an_alarm_with_its_cause(cause):
    dog, ns = Watchdog(0.0), 10**9

    def look(now_s, blocks, highest):
        agents = {"edge-1": (AgentState("edge-1", True, "s", highest, 0, 0), now_s * ns)}
        marks = [StreamMark("edge-1", "s", 5, 0, 0, 0)]
        told = dog.look(
            *(now_s, now_s * ns), busy_since_s=None, connected=True, agents=agents, marks=marks, blocks=blocks,
            cause=cause,
        )  # fmt: skip
        return [alarm for alarm in told if alarm.startswith("Nothing")]

    assert [look(now_s, now_s, 9) for now_s in range(0, 60, 10)] == [[]] * 6
    assert look(80, 50, 9) == []
    unknown = "no block comes from the broker, though agents say that they have some"
    assert look(91, 50, 9) == [f"Nothing has been stored for 41 s: {cause or unknown}"]
    assert look(100, 51, 9) == []
    assert look(200, 51, 5) == []  # nobody has anything to store


def test_no_agent_is_blamed_for_what_the_store_does_not_take(plant):
    """What agents say waits in the same queue as their blocks."""
    plant.look(30)
    plant.busy_since_s, plant.speaks, plant.stores = plant.now_s, False, False
    alarms = [alarm for _ in range(40) for alarm in plant.look(5)]
    assert alarms
    assert not any("edge-1" in alarm for alarm in alarms), alarms
    plant.busy_since_s = None
    assert not any("edge-1" in alarm for alarm in plant.look(25))  # a moment to catch up
    assert "edge-1" in plant.look(60)[-1]
