from __future__ import annotations

import itertools
import socket
import struct
import threading
import time
from typing import TYPE_CHECKING

import pytest
from asleft.instruments.modbus import ModbusInstrument
from asleft.instruments.modbus_address import TcpAddress
from asleft.instruments.modbus_link import ModbusLink, ReadFailed
from asleft.instruments.modbus_port import NoReply, WriteRefused
from asleft.instruments.modbus_registers import Read
from asleft.instruments.modbus_settings import read_modbus_settings, read_tcp_address
from asleft.instruments.modbus_tcp import ModbusTcp
from asleft.instruments.steps import Steps, finish
from asleft.wire.block import Reason
from asleft.wire.settings import Section
from asleft.wire.settings_faults import Fault

if TYPE_CHECKING:
    from conftest import Device, Recorder

PATIENCE_S = 30.0
"""For an answer that comes: only a test that fails waits so long, however slow the machine is."""


def instrument(port: int, timeout_s: float = PATIENCE_S, **more: object) -> ModbusInstrument:
    faults: list[Fault] = []
    raw = {
        "host": "127.0.0.1",
        "port": port,
        "timeout_s": timeout_s,
        "valve": [
            {
                "id": "press-4.platen",
                "channel": [
                    {"name": "command", "unit": "mA", "register": 0, "type": "uint16", "scale": 0.001},
                    {"name": "current", "unit": "A", "register": 1, "type": "int16", "scale": 0.0001},
                    {"name": "pressure", "unit": "bar", "register": 2, "type": "float32"},
                    {"name": "enable", "table": "holding", "register": 7, "type": "bit", "bit": 3},
                    {"name": "pump_running", "table": "coil", "register": 2},
                    {"name": "mode", "table": "discrete", "register": 1},
                ],
                **more,
            }
        ],
    }
    table = Section(faults, "", "instrument[1]", raw)
    settings = read_modbus_settings(table, read_tcp_address)
    assert faults == []
    return ModbusInstrument(settings)


def fill(device: Device) -> None:
    device.inputs[0:4] = [12_000, (-250) & 0xFFFF, 0x42C8, 0x0000]  # 12 mA, -0.025 A, 100 bar
    device.holdings[7] = 0b1000


def values(made: ModbusInstrument) -> list[float]:
    reading = made.read_once(0)
    assert not reading.failed, reading.failed
    return [form.value(n) for form, n in zip(made.valves[0].channels, reading.numbers, strict=True)]


def test_all_tables_and_types_are_read(device: Device) -> None:
    fill(device)
    made = instrument(device.port)
    assert values(made) == pytest.approx([12.0, -0.025, 100.0, 1, 1, 1])
    made.close()


def test_only_reading_function_codes_go_over_the_wire(device: Device, recorder: Recorder) -> None:
    fill(device)
    device.inputs[100] = device.inputs[109] = 1
    device.inputs[101:103] = [0x459C, 0x4000]
    device.inputs[107] = 1
    burst = {"channel": "current", "buffers": [100, 120], "readings": 1}
    made = instrument(recorder.port, burst=burst)
    for _ in range(5):
        values(made)
        made.read_bursts(0)
    recorder.drop()
    deadline = time.monotonic() + PATIENCE_S
    while made.read_once(0).failed and time.monotonic() < deadline:
        time.sleep(0.05)
    values(made)
    codes = recorder.function_codes()
    assert set(codes) == {1, 2, 3, 4}
    assert len(codes) > 25
    made.close()


def test_the_port_inside_cannot_be_made_to_write(recorder: Recorder) -> None:
    port = ModbusTcp(TcpAddress("127.0.0.1", recorder.port), PATIENCE_S)
    assert finish(port.connect())
    for code in {*range(256)} - {1, 2, 3, 4}:
        with pytest.raises(WriteRefused, match=f"function code {code} "):
            finish(port.ask(1, code, 0, 1))
    assert finish(port.ask(1, 4, 0, 1))[0] == 4
    assert recorder.function_codes() == [4]
    port.close()


class AnswersOthers:
    """A socket of a gateway that mixes its clients up: all that comes over it is for somebody else."""

    def __init__(self, most: int) -> None:
        self.left = most
        self._heard, self._spoken = socket.socketpair()
        self._spoken.send(b"there is always more")

    def fileno(self) -> int:
        return self._heard.fileno()

    def send(self, request: bytes) -> int:
        return len(request)

    def recvmsg(self, _size: int, _room: int) -> tuple[bytes, list[object], int, None]:
        time.sleep(0.01)
        self.left -= 1
        assert self.left, "it went on reading"
        return struct.pack(">HHHBBBH", 0xFFFF, 0, 5, 1, 4, 2, 7), [], 0, None

    def close(self) -> None:
        self._heard.close()
        self._spoken.close()


def test_frames_of_other_requests_without_an_end_take_no_longer_than_the_time_there_is() -> None:
    port = ModbusTcp(TcpAddress("127.0.0.1", 1), 0.2)
    port._socket = AnswersOthers(most=100)  # type: ignore[assignment]
    with pytest.raises(NoReply, match="no reply within"):
        finish(port.ask(1, 4, 0, 1))
    port.close()


LATE_NS = 50_000_000
"""So long after it was sent a reply is taken: whoever goes through the steps is busy with others."""


def taken_late(port: ModbusTcp, server: socket.socket) -> int:
    """One reply; how long after it was sent it is said to have come (ns)."""
    steps = port.ask(1, 4, 0, 1)
    next(steps)
    server.send(server.recv(12)[:4] + struct.pack(">HBBBH", 5, 1, 4, 2, 7))
    sent_ns = time.monotonic_ns()
    time.sleep(LATE_NS / 1e9)
    assert finish(steps) == b"\4\2\0\7"
    assert port.replied_ns <= time.monotonic_ns()
    return port.replied_ns - sent_ns


def test_the_time_of_a_reply_is_when_it_came_however_late_it_is_taken(monkeypatch: pytest.MonkeyPatch) -> None:
    with socket.create_server(("127.0.0.1", 0)) as listener:
        port = ModbusTcp(TcpAddress("127.0.0.1", listener.getsockname()[1]), PATIENCE_S)
        assert finish(port.connect())
        server, _ = listener.accept()
        until_s = time.monotonic() + PATIENCE_S
        while taken_late(port, server) > LATE_NS / 2:  # the kernel begins to note arrivals when first asked to
            assert time.monotonic() < until_s
        wall_ns = time.time_ns
        for hours in (1, -1):  # a clock that is set meanwhile says nothing: then it has come when it was taken
            monkeypatch.setattr(time, "time_ns", lambda hours=hours: wall_ns() + hours * 3600 * 10**9)
            assert taken_late(port, server) >= LATE_NS
        server.close()
    port.close()


def test_a_name_that_takes_long_to_look_up_is_waited_for_in_steps(monkeypatch: pytest.MonkeyPatch) -> None:
    go_on = threading.Event()

    def look_up(*_: object) -> socket.socket:
        go_on.wait(PATIENCE_S)
        raise OSError("no such name")

    monkeypatch.setattr(socket, "create_connection", look_up)
    steps = ModbusTcp(TcpAddress("driver.example", 502), PATIENCE_S).connect()
    for _ in range(3):
        next(steps)  # each comes back at once
    go_on.set()
    assert finish(steps) is False


def test_an_absent_instrument_is_a_reading_marked_not_connected() -> None:
    made = instrument(1)  # nobody listens on port 1 of loopback
    reading = made.read_once(0)
    assert set(reading.failed.values()) == {Reason.NOT_CONNECTED}
    assert len(reading.failed) == 6
    assert made.read_bursts(0) == []
    made.close()


def test_a_silent_instrument_is_marked_no_answer_and_found_again(device: Device) -> None:
    fill(device)
    made = instrument(device.port, 0.3)
    device.silent = True
    assert Reason.NO_ANSWER in set(made.read_once(0).failed.values())
    device.silent = False
    deadline = time.monotonic() + PATIENCE_S
    while (reading := made.read_once(0)).failed:
        assert time.monotonic() < deadline, reading.failed
        time.sleep(0.05)
    assert made.valves[0].channels[0].value(reading.numbers[0]) == pytest.approx(12.0)
    made.close()


def test_a_refused_register_is_marked_and_the_connection_stays(device: Device) -> None:
    link = ModbusLink(TcpAddress("127.0.0.1", device.port), PATIENCE_S)
    with pytest.raises(ReadFailed) as failure:
        link.read(1, Read("input", 60_000, 1))
    assert failure.value.reason is Reason.REFUSED
    assert link.read(1, Read("input", 0, 1)) == [0]
    link.close()


def test_a_lost_instrument_is_tried_again_with_growing_waits() -> None:
    now = [0.0]
    link = ModbusLink(TcpAddress("127.0.0.1", 1), 0.1, clock=lambda: now[0], draw=lambda: 1.0)
    tries: list[float] = []

    def refused() -> Steps[bool]:
        tries.append(now[0])
        yield from ()
        return False

    link._port.connect = refused  # type: ignore[method-assign]
    for tick in range(16_000):
        now[0] = tick / 1024
        with pytest.raises(ReadFailed):
            link.read(1, Read("input", 0, 1))
    gaps = [b - a for a, b in itertools.pairwise(tries)]
    assert gaps[:4] == pytest.approx([0.2, 0.4, 0.8, 1.6], abs=0.002)
    assert max(gaps) <= 5.01
