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
