"""Modbus RTU over a serial line and over TCP, and Modbus TCP, against libmodbus, a server that is not ours."""

from __future__ import annotations

import struct
import time
from collections.abc import Iterator

import pytest
from asleft.instruments.modbus import ModbusInstrument, build_instruments
from asleft.instruments.modbus_address import SerialLine
from asleft.instruments.modbus_line import ModbusLine
from asleft.instruments.modbus_port import WriteRefused
from asleft.instruments.modbus_settings import read_modbus_settings, read_serial_line, read_tcp_address
from asleft.instruments.steps import finish
from asleft.wire.block import Reason
from asleft.wire.settings import Section
from asleft.wire.settings_faults import Fault
from libmodbus_server import LibmodbusServer, Line, SerialServer

CHANNELS = [
    {"name": "command", "unit": "mA", "register": 0, "type": "uint16", "scale": 0.001},
    {"name": "current", "unit": "A", "register": 1, "type": "int16", "scale": 0.0001},
    {"name": "pressure", "unit": "bar", "register": 2, "type": "float32", "word_order": "low first"},
    {"name": "supply", "unit": "V", "register": 4, "type": "float64"},
    {"name": "mode", "table": "holding", "register": 7, "type": "bit", "bit": 4, "bits": 3},
]
PLAIN = {"parity": "none", "stop_bits": 1}
"""A pseudo-terminal has no parity."""
PATIENCE_S = 30.0
"""For an answer that comes: only a test that fails waits so long, however slow the machine is."""
EXPECTED = [12.0, -0.025, 100.25, 24.125, 5]


def fill(server: LibmodbusServer) -> None:
    server.inputs[0], server.inputs[1] = 12_000, (-250) & 0xFFFF
    high, low = struct.unpack(">HH", struct.pack(">f", 100.25))
    server.inputs[2], server.inputs[3] = low, high
    for at, word in enumerate(struct.unpack(">4H", struct.pack(">d", 24.125)), 4):
        server.inputs[at] = word
    server.holdings[7] = 0b101_0000 | 0xF00F


def made(raw: dict[str, object], unit: int = 1, timeout_s: float = PATIENCE_S) -> ModbusInstrument:
    faults: list[Fault] = []
    valve = {"id": "press-4.platen", "unit": unit, "channel": CHANNELS}
    table = Section(faults, "", "instrument[1]", {"timeout_s": timeout_s, "valve": [valve], **raw})
    settings = read_modbus_settings(table, read_serial_line if "device" in raw else read_tcp_address)
    assert faults == []
    (instrument,) = build_instruments(settings)
    return instrument


def values(instrument: ModbusInstrument) -> list[float]:
    reading = instrument.read_once(0)
    assert not reading.failed, reading.failed
    return [form.value(n) for form, n in zip(instrument.valves[0].channels, reading.numbers, strict=True)]


def wait_for(instrument: ModbusInstrument) -> list[float]:
    until_s = time.monotonic() + PATIENCE_S
    while (reading := instrument.read_once(0)).failed:
        assert time.monotonic() < until_s, reading.failed
        time.sleep(0.05)
    return [form.value(n) for form, n in zip(instrument.valves[0].channels, reading.numbers, strict=True)]


@pytest.fixture
def server() -> Iterator[LibmodbusServer]:
    one = LibmodbusServer(unit=7)
    fill(one)
    yield one
    one.stop()


@pytest.fixture
def line() -> Iterator[Line]:
    one = Line()
    yield one
    one.close()


def test_over_tcp(server: LibmodbusServer) -> None:
    instrument = made({"host": "127.0.0.1", "port": server.on_tcp()}, unit=7)
    assert wait_for(instrument) == pytest.approx(EXPECTED)
    instrument.close()


def test_over_a_serial_line(server: LibmodbusServer, line: Line) -> None:
    server.on_line(line.ports[0])
    instrument = made({"device": line.ports[1], **PLAIN}, unit=7)
    assert values(instrument) == pytest.approx(EXPECTED)
    assert instrument.name == line.ports[1]
    instrument.close()


def test_rtu_through_a_serial_server(server: LibmodbusServer, line: Line) -> None:
    server.on_line(line.ports[0])
    through = SerialServer(line.ports[1])
    instrument = made({"host": "127.0.0.1", "port": through.port, "framing": "rtu"}, unit=7)
    assert values(instrument) == pytest.approx(EXPECTED)
    instrument.close()
    through.close()


def test_the_client_inside_cannot_be_made_to_write(server: LibmodbusServer, line: Line) -> None:
    server.on_line(line.ports[0])
    port = ModbusLine(SerialLine(line.ports[1], parity="none"), PATIENCE_S)
    assert finish(port.connect())
    for code in {*range(256)} - {1, 2, 3, 4}:
        with pytest.raises(WriteRefused, match=f"function code {code} "):
            finish(port.ask(7, code, 0, 1))
    with pytest.raises(WriteRefused, match="function code 6 "):
        port._client.write_register(7, 1, device_id=7)
    with pytest.raises(WriteRefused, match="function code 15 "):
        port._client.write_coils(0, [True], device_id=7)
    with pytest.raises(WriteRefused, match="function code 43 "):
        port._client.read_device_information(device_id=7)
    assert finish(port.ask(7, 3, 7, 1)) == b"\x03\x02" + server.holdings[7].to_bytes(2)
    assert server.holdings[7] == 0b101_0000 | 0xF00F
    port.close()


def test_a_unit_of_the_line_that_is_silent_is_no_answer_and_comes_back(server: LibmodbusServer, line: Line) -> None:
    server.on_line(line.ports[0])
    instrument = made({"device": line.ports[1], **PLAIN}, unit=7, timeout_s=0.3)
    wait_for(instrument)
    server.silent = True
    assert set(instrument.read_once(0).failed.values()) == {Reason.NO_ANSWER}
    server.silent = False
    assert wait_for(instrument) == pytest.approx(EXPECTED)
    instrument.close()


def test_a_register_that_is_not_there_is_refused_alone(server: LibmodbusServer, line: Line) -> None:
    server.on_line(line.ports[0])
    faults: list[Fault] = []
    channels = [CHANNELS[0], {"name": "pressure", "unit": "bar", "register": 900}]
    valve = {"id": "v", "unit": 7, "channel": channels}
    table = Section(faults, "", "", {"device": line.ports[1], **PLAIN, "timeout_s": PATIENCE_S, "valve": [valve]})
    (instrument,) = build_instruments(read_modbus_settings(table, read_serial_line))
    reading = instrument.read_once(0)
    assert dict(reading.failed) == {1: Reason.REFUSED}
    assert reading.numbers[0] == 12_000 - 32_768
    instrument.close()


def test_noise_on_the_line_costs_a_reading_and_never_gives_a_wrong_one(server: LibmodbusServer, line: Line) -> None:
    server.on_line(line.ports[0])
    instrument = made({"device": line.ports[1], **PLAIN}, unit=7, timeout_s=0.3)
    good = 0
    for noise in (b"\x07\x04\x10", b"\xff", b"\x00" * 40, b"\x07\x84\x02"):
        line.noise = noise
        reading = instrument.read_once(0)
        for index, form in enumerate(instrument.valves[0].channels):
            if index not in reading.failed:
                assert form.value(reading.numbers[index]) == pytest.approx(EXPECTED[index])
                good += 1
        assert wait_for(instrument) == pytest.approx(EXPECTED)
    assert good < 4 * len(EXPECTED)
    instrument.close()


@pytest.mark.parametrize(
    ("device", "words"),
    [("/dev/no-such-port", "there is no such port"), ("/dev/null", "cannot be opened with 19200 baud, even parity")],
)
def test_a_port_that_cannot_be_opened_is_not_connected_and_says_why(
    device: str, words: str, caplog: pytest.LogCaptureFixture
) -> None:
    instrument = made({"device": device})
    assert set(instrument.read_once(0).failed.values()) == {Reason.NOT_CONNECTED}
    assert words in caplog.text
    instrument.close()


def test_what_a_line_can_carry() -> None:
    # Modbus over serial line V1.02, 2.5.1: 11 bits a character, frames parted by 3.5 characters. Ten registers at
    # 19200 baud: 8 + 25 characters and twice 3.5 = 40 characters of 0.573 ms.
    assert SerialLine("x", 19200).least_request_s(10) == pytest.approx(40 * 11 / 19200)
    assert SerialLine("x", 115200).least_request_s(10) == pytest.approx(33 * 11 / 115200 + 2 * 0.00175)
