"""The live plant on the wire: readings, bursts, refusals, and the document that describes them."""

import asyncio
import re
import signal
import socket
import struct
import subprocess
import sys
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pytest
from asleft.sim import registers
from asleft.sim.__main__ import instant, port_list
from asleft.sim.bursts import FastBurst
from asleft.sim.converter import sensor_of
from asleft.sim.live import LivePlant
from asleft.sim.plant import PRESSES, valves
from asleft.sim.server import PressServers

NOW_S = 1_790_000_000.0
DOCUMENT = Path(__file__).parents[2] / "sim" / "REGISTERS.md"


class Clock:
    def __init__(self):
        self.s = 0.0

    def __call__(self):
        return self.s


@dataclass
class Stage:
    clock: Clock
    plant: LivePlant
    servers: PressServers


class Wire:
    """A Modbus TCP client of its own, so that nothing between the test and the bytes is polite."""

    def __init__(self, port):
        self._port = port

    async def __aenter__(self):
        self._reader, self._writer = await asyncio.open_connection("127.0.0.1", self._port)
        return self

    async def __aexit__(self, *_):
        self._writer.close()
        await self._writer.wait_closed()

    async def ask(self, unit, pdu):
        self._writer.write(struct.pack(">HHHB", 7, 0, len(pdu) + 1, unit) + pdu)
        head = await asyncio.wait_for(self._reader.readexactly(7), 5.0)
        transaction, protocol, length, _ = struct.unpack(">HHHB", head)
        assert (transaction, protocol) == (7, 0)
        return await asyncio.wait_for(self._reader.readexactly(length - 1), 5.0)

    async def read(self, unit, address, count):
        reply = await self.ask(unit, struct.pack(">BHH", 4, address, count))
        assert reply[0] == 4, reply
        return list(struct.unpack(f">{count}H", reply[2:]))


def on_the_wire(work):
    """Run `work(stage)` against servers on free ports, with a clock that only the test moves."""

    async def play():
        clock = Clock()
        plant = LivePlant(valves(NOW_S), NOW_S, elapsed_s=clock)
        servers = PressServers(plant, PRESSES, "127.0.0.1", [0] * len(PRESSES))
        await servers.start()
        try:
            await work(Stage(clock, plant, servers))
        finally:
            await servers.stop()

    asyncio.run(play())


def signed(word):
    return (word ^ 0x8000) - 0x8000


def test_readings_are_what_the_valve_shows():
    async def work(stage):
        for press in PRESSES:
            async with Wire(stage.servers.ports[press]) as wire:
                for unit, lane in stage.servers.units(press).items():
                    model = stage.plant.models[lane]
                    words = await wire.read(unit, 0, registers.READINGS)
                    assert words[registers.VERSION] == registers.LAYOUT
                    for channel, register in registers.CHANNEL_REGISTER.items():
                        assert (words[register] == registers.NOT_FITTED) == (channel not in model.records), channel
                    supply = sensor_of(model, "supply")
                    volt = supply.low + supply.scale * signed(words[registers.SUPPLY])
                    assert volt == pytest.approx(model.supply_v, abs=0.3)
                    assert await wire.read(unit, 2, 8) == words[2:10]

    on_the_wire(work)


def test_time_moves_the_readings():
    async def work(stage):
        async with Wire(stage.servers.ports["press-1"]) as wire:
            first = await wire.read(1, 0, 10)
            assert await wire.read(1, 0, 10) == first
            stage.clock.s = 7.3
            stage.plant.fill()
            later = await wire.read(1, 0, 10)
            assert later[registers.COUNTER] == 7.3 * 200
            assert later != first
            stage.clock.s = 500.0  # the computation has fallen behind: the last known reading stands
            stale = await wire.read(1, 0, 10)
            assert stale[registers.COUNTER] < 500 * 200
            assert await wire.read(1, 0, 10) == stale

    on_the_wire(work)


def test_discrete_inputs_are_the_status_bits():
    async def work(stage):
        async with Wire(stage.servers.ports["press-1"]) as one, Wire(stage.servers.ports["press-4"]) as four:
            for wire, unit in ((one, 1), (four, 2)):
                status = (await wire.read(unit, registers.STATUS, 1))[0]
                bits = await wire.ask(unit, struct.pack(">BHH", 2, 0, 16))
                assert bits[:2] == b"\x02\x02"
                assert bits[2] | bits[3] << 8 == status
            assert (await one.read(1, registers.STATUS, 1))[0] == 3  # enabled and pumping
            assert (await four.read(2, registers.STATUS, 1))[0] == 0  # press-4.platen has neither

    on_the_wire(work)


def test_bursts_fill_two_buffers_in_turn():
    async def whole(wire, unit, buffer):
        words = []
        for at in range(0, registers.BUFFER_LENGTH, 125):
            words += await wire.read(unit, registers.BUFFERS[buffer] + at, min(125, registers.BUFFER_LENGTH - at))
        return words

    async def work(stage):
        async with Wire(stage.servers.ports["press-1"]) as wire:
            assert set(await whole(wire, 1, 0)) == set(await whole(wire, 1, 1)) == {0}
            seen = []
            for second in (6.0, 26.0, 46.0):
                stage.clock.s = second
                stage.plant.fill()
                buffers = [await whole(wire, 1, 0), await whole(wire, 1, 1)]
                newest = max(buffers, key=lambda words: words[0])
                seen.append(newest[0])
                head = struct.unpack(">HfQH", struct.pack(">8H", *newest[:8]))
                assert head[0] == newest[registers.SEQUENCE_AFTER]
                assert head[1] == 5000.0
                assert NOW_S + second - 1.01 <= head[2] / 1e6 <= NOW_S + second - 0.5
                assert head[3] == 2500
                counts = np.array([signed(word) for word in newest[registers.SAMPLES : registers.SEQUENCE_AFTER]])
                ampere = counts * stage.plant.models[0].burst_sensor.scale
                assert 0.1 < ampere.mean() < 1.0
                assert np.ptp(ampere) > 0.03
            assert seen == [1, 2, 3]
            assert {buffers[0][0], buffers[1][0]} == {2, 3}
        async with Wire(stage.servers.ports["press-4"]) as wire:  # its knock-out shows no current
            assert set(await whole(wire, 1, 0)) == {0}

    on_the_wire(work)


#: One well-formed request per function code of the Modbus application protocol that is not to be answered.
REQUESTS = {
    1: struct.pack(">HH", 0, 1),
    3: struct.pack(">HH", 0, 1),
    5: struct.pack(">HH", 0, 0xFF00),
    6: struct.pack(">HH", 2, 1),
    7: b"",
    8: struct.pack(">HH", 4, 0),  # force listen only
    11: b"",
    12: b"",
    15: struct.pack(">HHBB", 0, 1, 1, 1),
    16: struct.pack(">HHBH", 2, 1, 2, 5),
    17: b"",
    20: bytes([7, 6, 0, 1, 0, 0, 0, 1]),
    21: bytes([9, 6, 0, 1, 0, 0, 0, 1, 0, 5]),
    22: struct.pack(">HHH", 2, 0, 1),
    23: struct.pack(">HHHHBH", 0, 1, 2, 1, 2, 5),
    24: struct.pack(">H", 0),
    43: bytes([14, 1, 0]),
}


@pytest.mark.parametrize("code", list(REQUESTS))
def test_everything_but_reading_inputs_is_refused(code):
    rest = REQUESTS[code]

    async def work(stage):
        async with Wire(stage.servers.ports["press-1"]) as wire:
            before = await wire.read(1, 0, 10)
            assert await wire.ask(1, bytes([code]) + rest) == bytes([code | 0x80, 1])
            assert await wire.read(1, 0, 10) == before

    on_the_wire(work)


def test_addresses_and_units_that_do_not_exist():
    async def work(stage):
        async with Wire(stage.servers.ports["press-2"]) as wire:
            for address, count in ((10, 1), (8, 3), (999, 1), (3509, 1), (6509, 1)):
                assert await wire.ask(1, struct.pack(">BHH", 4, address, count)) == bytes([0x84, 2]), address
            assert (await wire.ask(3, struct.pack(">BHH", 4, 0, 1)))[0] == 0x84

    on_the_wire(work)


def test_the_document_says_what_the_server_does():
    text = DOCUMENT.read_text(encoding="utf-8")
    rows = re.findall(r"^\| (\d+) \| (\w+) \|", text, flags=re.MULTILINE)
    named = {name: int(register) for register, name in rows}
    assert named["version"] == registers.VERSION
    assert named["counter"] == registers.COUNTER
    assert named["status"] == registers.STATUS
    for channel, register in registers.CHANNEL_REGISTER.items():
        assert named[channel] == register
    for first in registers.BUFFERS:
        assert f"{first} to {first + registers.BUFFER_LENGTH - 1}" in text
    positions = {
        "sequence before": registers.SEQUENCE_BEFORE,
        "rate": registers.RATE,
        "start": registers.START,
        "count": registers.COUNT,
        "samples": registers.SAMPLES,
        "sequence after": registers.SEQUENCE_AFTER,
    }
    for name, position in positions.items():
        assert re.search(rf"^\| {position} \| {name} \|", text, flags=re.MULTILINE), name
    assert f"at most {registers.BURST_READINGS}" in text
    assert f"a new one every {registers.BURST_EVERY_S:.0f} s" in text
    assert f"reads {registers.NOT_FITTED}" in text
    for press in PRESSES:
        units = [model.valve_id for model in valves(NOW_S) if model.press_key == press]
        assert f"| {press} | {' | '.join(units)} |" in text


def test_the_document_gives_every_range():
    text = DOCUMENT.read_text(encoding="utf-8")
    for model in valves(NOW_S):
        cells = [model.valve_id]
        for channel, unit in (
            ("command", model.signal_unit),
            ("current", "A"),
            ("pressure", "bar"),
            ("supply", "V"),
            ("oil_temperature", "degC"),
        ):
            sensor = sensor_of(model, channel)
            fitted = channel in model.records
            cells.append(f"{sensor.low:g}..{sensor.high:g} {unit}" if fitted else "none")
        assert f"| {' | '.join(cells)} |" in text


def test_a_burst_that_does_not_fit_is_refused():
    long = FastBurst(NOW_S, 5000.0, np.zeros(2501, np.int16), 1.0, 0.0)
    with pytest.raises(ValueError, match="2501 readings"):
        registers.burst_registers(long, 1)
    with pytest.raises(ValueError, match="sequence"):
        registers.burst_registers(FastBurst(NOW_S, 5000.0, np.zeros(9, np.int16), 1.0, 0.0), 0)


def test_arguments():
    assert port_list("1,2,3,0") == (1, 2, 3, 0)
    for wrong in ("1,2,3", "1,2,3,x", "1,2,3,70000", "5,5,6,7"):
        with pytest.raises(Exception, match="port"):
            port_list(wrong)
    assert instant("2026-03-02T08:10:00Z") == 1772439000.0
    with pytest.raises(Exception, match="zone"):
        instant("2026-03-02T08:10:00")


def start(*arguments):
    return subprocess.Popen(
        [sys.executable, "-m", "asleft.sim", *arguments], stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True
    )


@pytest.mark.parametrize("how", [signal.SIGTERM, signal.SIGINT])
def test_it_serves_and_stops_cleanly(how):
    process = start("--ports", "0,0,0,0")
    try:
        line = process.stdout.readline()
        ports = [int(port) for port in re.findall(r":(\d+)", line)]
        assert len(ports) == 4

        async def look():
            async with Wire(ports[2]) as wire:
                return await wire.read(2, 0, 10)

        assert asyncio.run(look())[0] == registers.LAYOUT
        process.send_signal(how)
        assert process.wait(10) == 0
        assert process.stderr.read() == ""
    finally:
        process.kill()
        process.communicate()


def test_a_taken_port_is_named():
    with socket.socket() as taken:
        taken.bind(("127.0.0.1", 0))
        taken.listen()
        port = taken.getsockname()[1]
        process = start("--ports", f"0,{port},0,0")
        out, err = process.communicate(timeout=20)
    assert process.returncode == 2
    assert out == ""
    assert f"cannot listen on 127.0.0.1:{port} for press-2" in err
