"""What an agent may send: another agent's valves, made up valves and streams, wild times and floods are refused."""

from __future__ import annotations

import re
import shlex
import time
from dataclasses import dataclass, field, replace

import pytest
from asleft.cli.main import main
from asleft.recorder.admission import Admission
from asleft.recorder.agent_limits import Limits
from asleft.recorder.clocks import Clocks
from asleft.recorder.ingest import Ingest
from asleft.recorder.quarantine import Quarantine
from asleft.store.actor import Actor
from asleft.store.bindings import open_bindings
from asleft.store.lock import FolderInUse
from asleft.store.samples import open_samples
from asleft.wire.block import AgentState, Burst, Gap, Sent
from asleft.wire.codec import decode_ack, encode_block, encode_gap, encode_state, with_sent
from asleft.wire.topics import block_topic, state_topic
from sqlalchemy.exc import OperationalError

KL = Actor("kl", "command line")
DAY = 86_400 * 10**9


@dataclass
class FakeBroker:
    acknowledged: list = field(default_factory=list)
    published: list = field(default_factory=list)

    def acknowledge(self, packet):
        self.acknowledged.append(packet)

    def publish(self, topic, payload):
        self.published.append(decode_ack(payload))


@pytest.fixture
def plant(tmp_path, tools):
    class Plant:
        def __init__(self):
            self.store, self.quarantine = open_samples(tmp_path), Quarantine(tmp_path)
            self.bindings, self.broker = open_bindings(tmp_path / "records.db"), FakeBroker()
            self.now_s, self.wall_ns, self.packet, self.ingest = 100.0, tools.t0, 0, None

        def bind(self, agent, *valves):
            self.bindings.bind(agent, valves, self.wall_ns, KL)
            self.now_s += 5.0

        def open(self, *, first_come=False, limits=None, place=""):
            self.admission = Admission(
                self.bindings, first_come=first_come, limits=limits, place=place,
                wall_ns=lambda: self.wall_ns, monotonic_s=lambda: self.now_s,
            )  # fmt: skip
            self.ingest = Ingest(
                self.store, self.quarantine, self.broker, clocks=Clocks(), admission=self.admission,
                monotonic_s=lambda: self.now_s, wall_ns=lambda: self.wall_ns,
            )  # fmt: skip
            self.ingest.connected()

        def send(self, said, agent, sent=None):
            self.packet += 1
            payload = said if isinstance(said, bytes) else encode_block(said)
            if sent is not None:
                payload = with_sent(payload, sent)
            self.ingest.message(block_topic(agent), payload, self.packet)

        def turn(self, seconds=1.0):
            self.now_s += seconds
            while True:
                self.ingest.turn()
                if self.ingest.queue_depth() == 0:
                    return

        def stored(self):
            return {(m.agent, m.stream): (m.mark, m.declared_gap) for m in self.store.marks() if m.mark}

    made = Plant()
    yield made
    made.quarantine.close()
    made.store.close()
    made.bindings.close()


def test_no_agent_writes_the_readings_of_anothers_valve(plant, tools):
    plant.bind("hall-1", "press-1.platen")
    plant.bind("hall-2", "press-9.platen")
    plant.open()
    plant.send(tools.block(1, agent="hall-1", stream="a"), "hall-1")
    plant.send(tools.block(2, agent="hall-1", stream="a", valve="press-9.platen"), "hall-1")
    plant.send(tools.block(3, agent="hall-1", stream="a"), "hall-1")
    plant.turn()
    assert plant.store.valves() == ["press-1.platen"]
    # Its own valve goes on, and what was refused is declared, counted, kept for inspection and told.
    assert plant.stored() == {("hall-1", "a"): (3, 1)}
    (_, topic, why, _, _) = plant.quarantine.newest()[0]
    assert topic == block_topic("hall-1")
    assert "press-9.platen, which is bound to hall-2" in why
    (refused,) = plant.admission.standing()
    assert (refused.agent, refused.refusal.subject, refused.count) == ("hall-1", "press-9.platen", 1)
    assert "asleft agents bind hall-1 press-9.platen" in refused.refusal.words


def test_the_command_that_a_refusal_names_binds_the_valve(plant, tools, tmp_path):
    plant.bind("hall-2", "press-9.platen")
    plant.open(place=f"--data {tmp_path}")
    plant.send(tools.block(1, agent="hall-1", stream="a", valve="press-9.platen"), "hall-1")
    plant.turn()
    (refused,) = plant.admission.standing()
    (command,) = re.findall(r"asleft (agents bind [^;]+)", refused.refusal.words)
    assert main(shlex.split(command)) == 0
    assert {(row.agent, row.valve) for row in plant.bindings.bindings()} >= {("hall-1", "press-9.platen")}


def test_the_recorder_is_told_where_commands_find_its_records(tmp_path, monkeypatch):
    told = []

    def recorder(*_, place, **__):
        told.append(place)
        raise FolderInUse("enough")

    monkeypatch.setattr("asleft.recorder.service.Recorder", recorder)
    url = "postgresql://asleft@db/asleft?sslmode=verify-full&sslrootcert=ca.crt"
    folder = tmp_path / "a plant"
    for more in ([], ["--records", url]):
        assert main(["record", "--data", str(folder), *more]) == 2
    assert [shlex.split(words) for words in told] == [
        ["--data", str(folder)],
        ["--data", str(folder), "--records", url],
    ]


def test_the_first_to_send_a_valve_has_it_only_where_that_is_allowed(plant, tools):
    plant.open(first_come=True)
    plant.send(tools.block(1, agent="hall-2", stream="b", valve="press-9.platen"), "hall-2")
    plant.send(tools.block(1, agent="hall-1", stream="a", valve="press-1.platen"), "hall-1")
    plant.send(tools.block(2, agent="hall-1", stream="a", valve="press-9.platen"), "hall-1")
    plant.turn()
    assert plant.stored() == {("hall-1", "a"): (2, 1), ("hall-2", "b"): (1, 0)}
    assert {(one.valve, one.agent, one.who) for one in plant.bindings.bindings()} == {
        ("press-9.platen", "hall-2", ""),
        ("press-1.platen", "hall-1", ""),
    }


def test_a_new_agents_blocks_wait_with_it_until_somebody_binds_its_valve(plant, tools):
    plant.open()
    for number in (1, 2):
        plant.send(tools.block(number, agent="hall-3", stream="c", valve="press-3.platen"), "hall-3")
    plant.turn()
    assert plant.stored() == {}
    assert plant.quarantine.count() == 0
    assert plant.broker.acknowledged == [1, 2]  # the broker need not keep them: the agent does
    assert [ack.mark for ack in plant.broker.published] == [0]
    assert "which nobody has bound" in plant.admission.standing()[0].refusal.words
    plant.bind("hall-3", "press-3.platen")
    for number in (1, 2):
        plant.send(tools.block(number, agent="hall-3", stream="c", valve="press-3.platen"), "hall-3")
    plant.turn()
    assert plant.stored() == {("hall-3", "c"): (2, 0)}


def test_a_released_valve_is_refused_within_seconds(plant, tools):
    plant.bind("hall-1", "press-1.platen", "press-2.platen")
    plant.open()
    plant.send(tools.block(1, agent="hall-1", stream="a", valve="press-2.platen"), "hall-1")
    plant.turn()
    plant.bindings.release("hall-1", ["press-2.platen"], plant.wall_ns, KL)
    plant.turn(3.0)
    plant.send(tools.block(2, agent="hall-1", stream="a", valve="press-2.platen"), "hall-1")
    plant.turn()
    assert plant.stored() == {("hall-1", "a"): (2, 1)}


def test_three_thousand_valves_of_one_agent_become_as_many_as_it_may_have(plant, tools):
    plant.open(first_come=True, limits=Limits(most_valves=5))
    for number in range(1, 301):
        plant.send(tools.block(number, agent="hall-1", stream="a", valve=f"rubbish-{number}"), "hall-1")
    plant.turn()
    assert len(plant.store.valves()) == 5
    assert plant.stored() == {("hall-1", "a"): (300, 295)}
    assert plant.quarantine.count() == Limits().kept_aside_per_minute
    assert plant.ingest.counters.unusable == 295
    assert len(plant.admission.standing()) <= 25


def test_three_thousand_streams_of_one_agent_become_as_many_as_it_may_have(plant, tools):
    plant.bind("hall-1", "press-1.platen")
    plant.open()
    for number in range(300):
        plant.send(tools.block(1, agent="hall-1", stream=f"spool-{number}"), "hall-1")
        plant.send(encode_gap(Gap("hall-1", f"gap-{number}", 1, 1, "no room")), "hall-1")
        state = AgentState("hall-1", True, f"state-{number}", 9, 9, 0)
        plant.ingest.message(state_topic("hall-1"), encode_state(state), 0)
    plant.turn()
    assert len(plant.ingest.marks()) <= Limits().new_streams
    assert "made anew at every start" in plant.admission.standing()[0].refusal.words
    # What is known goes on, and an hour later one more may begin.
    plant.send(tools.block(2, agent="hall-1", stream="spool-0"), "hall-1")
    plant.turn()
    assert plant.stored()["hall-1", "spool-0"] == (2, 0)
    plant.turn(3_601.0)
    plant.send(tools.block(1, agent="hall-1", stream="spool-299"), "hall-1")
    plant.turn()
    assert plant.stored()["hall-1", "spool-299"] == (1, 0)


def test_what_an_agent_sends_too_fast_stays_with_it_and_is_never_taken_apart(plant, tools):
    plant.bind("hall-1", "press-1.platen")
    plant.bind("hall-2", "press-2.platen")
    plant.open(limits=Limits(blocks_in_a_row=50, blocks_per_s=10))
    for number in range(1, 201):
        plant.send(tools.block(number, agent="hall-1", stream="a"), "hall-1")
    plant.send(tools.block(1, agent="hall-2", stream="b", valve="press-2.platen"), "hall-2")
    plant.turn(0.0)
    assert plant.stored() == {("hall-1", "a"): (50, 0), ("hall-2", "b"): (1, 0)}
    assert plant.ingest.counters.left == 150
    assert len(plant.broker.acknowledged) == 201
    for number in range(51, 201):
        plant.send(tools.block(number, agent="hall-1", stream="a"), "hall-1")
    plant.turn(60.0)
    assert plant.stored()["hall-1", "a"] == (100, 0)


def test_rubbish_is_counted_and_only_some_of_it_kept(plant):
    plant.open()
    for _ in range(500):
        plant.send(b"rubbish", "hall-1")
    plant.turn()
    assert plant.ingest.counters.unusable == 500
    assert plant.quarantine.count() == Limits().kept_aside_per_minute


def test_numbers_far_beyond_the_mark_stay_with_the_agent(plant, tools):
    plant.bind("hall-1", "press-1.platen")
    plant.open(limits=Limits(most_ahead=100))
    for number in (1, 100, 101, 5_000, 2**33):
        plant.send(tools.block(number, agent="hall-1", stream="a", at_ns=tools.t0), "hall-1")
    plant.turn()
    assert plant.stored() == {("hall-1", "a"): (1, 0)}
    assert plant.ingest.counters.left == 3  # the mark stood at 0 as they came
    assert plant.ingest.counters.blocks == 2


@pytest.mark.parametrize("days", [-3_651, 2, 60_000])
def test_times_outside_the_window_are_refused(plant, tools, days):
    plant.bind("hall-1", "press-1.platen")
    plant.open()
    plant.send(tools.block(1, agent="hall-1", stream="a", at_ns=max(0, plant.wall_ns + days * DAY)), "hall-1")
    plant.send(tools.block(2, agent="hall-1", stream="a", at_ns=plant.wall_ns), "hall-1")
    plant.turn()
    assert plant.stored() == {("hall-1", "a"): (2, 1)}
    assert plant.store.span("press-1.platen")[0] == plant.wall_ns
    assert "look at the clock of its box" in plant.quarantine.newest()[0][2]


def test_a_burst_outside_the_window_is_refused_with_its_block(plant, tools):
    plant.bind("hall-1", "press-1.platen")
    plant.open()
    wild = Burst("current", "A", plant.wall_ns + 400 * DAY, 1e4, tools.block(1).channels[1].values)
    block = tools.block(1, agent="hall-1", stream="a", at_ns=plant.wall_ns)
    plant.send(replace(block, bursts=(wild,)), "hall-1")
    plant.turn()
    assert plant.stored() == {("hall-1", "a"): (1, 1)}


def test_a_box_without_a_clock_waits_until_it_is_compared_and_loses_nothing(plant, tools):
    """It thinks it is 1970; its times are corrected, so they are inside the window after all."""
    plant.bind("hall-1", "press-1.platen")
    plant.open()

    def send(echo_ns):
        # Its monotonic clock reads 7 s now, its wall clock 8 s after the epoch.
        block = replace(
            tools.block(1, agent="hall-1", stream="a", at_ns=7 * 10**9), monotonic_ns=6 * 10**9, boot_id="boot"
        )
        plant.send(block, "hall-1", Sent(8 * 10**9, 7 * 10**9, "boot", echo_ns, 0))

    send(0)
    plant.turn()
    assert plant.stored() == {}
    assert plant.quarantine.count() == 0
    send(time.monotonic_ns())
    plant.turn()
    assert plant.stored() == {("hall-1", "a"): (1, 0)}


def test_a_box_without_a_clock_that_is_never_compared_is_put_aside_after_a_minute(plant, tools):
    plant.bind("hall-1", "press-1.platen")
    plant.open()
    block = tools.block(1, agent="hall-1", stream="a", at_ns=7 * 10**9)
    for seconds in (1.0, 30.0, 31.0):
        plant.send(block, "hall-1", Sent(8 * 10**9, 7 * 10**9, "boot", 0, 0))
        plant.turn(seconds)
    assert plant.stored() == {("hall-1", "a"): (1, 1)}


def test_while_the_bindings_cannot_be_read_blocks_stay_with_their_agents(plant, tools, caplog):
    plant.bind("hall-1", "press-1.platen")
    read = plant.bindings.bindings

    def away():
        raise OperationalError("SELECT", {}, Exception("server closed the connection"))

    plant.bindings.bindings = away
    plant.open()
    for _ in range(50):
        plant.send(tools.block(1, agent="hall-1", stream="a"), "hall-1")
        plant.turn(3.0)
    assert plant.stored() == {}
    lines = [record.message for record in caplog.records if "cannot be read" in record.message]
    assert 1 <= len(lines) <= 4
    plant.bindings.bindings = read
    plant.turn(30.0)
    plant.send(tools.block(1, agent="hall-1", stream="a"), "hall-1")
    plant.turn()
    assert plant.stored() == {("hall-1", "a"): (1, 0)}


def test_a_flood_of_refusals_is_a_line_a_minute(plant, tools, caplog):
    plant.bind("hall-1", "press-1.platen")
    plant.bind("hall-2", "press-9.platen")
    plant.open()
    for number in range(1, 301):
        plant.send(tools.block(number, agent="hall-1", stream="a", valve="press-9.platen"), "hall-1")
        if number % 100 == 0:
            plant.turn(30.0)
    assert len([record for record in caplog.records if record.levelname == "WARNING"]) <= 4
