"""Modbus TCP against modbus-serial (npm), which is not ours: orders, bits, exceptions, a silent unit."""

from __future__ import annotations

import itertools
import json
import socket
import struct
import subprocess
import threading
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest
from asleft.instruments.modbus import ModbusInstrument, build_instruments
from asleft.instruments.modbus_settings import read_modbus_settings, read_tcp_address
from asleft.wire.block import Reason
from asleft.wire.settings import Section
from asleft.wire.settings_faults import Fault
from npm_package import environment, node_modules

MODBUS_SERIAL = "modbus-serial@8.0.25"
SERVERS = {"serve": f"{MODBUS_SERIAL} (npm)"}
SCRIPT = Path(__file__).parents[1] / "modbus_serial_server.js"
PATIENCE_S = 30.0
"""For an answer that comes: only a test that fails waits so long, however slow the machine is."""
KINDS = {
    "int32": (">i", -123_456_789),
    "uint32": (">I", 4_000_000_001),
    "float32": (">f", 100.25),
    "int64": (">q", -(2**40) - 7),
    "uint64": (">Q", 2**41 + 9),
    "float64": (">d", 24.125),
}
Serve = Callable[..., int]


@pytest.fixture(scope="module")
def serve() -> Iterator[Serve]:
    """Starts a server with what it holds; its port."""
    modules = node_modules(MODBUS_SERIAL)
    if isinstance(modules, str):
        pytest.skip(f"not here: modbus-serial: {modules}")
    started: list[subprocess.Popen[str]] = []

    def start(**holds: object) -> int:
        with socket.socket() as probe:
            probe.bind(("127.0.0.1", 0))
            port = int(probe.getsockname()[1])
        given = {"inputs": {}, "holdings": {}, "bits": [], "refused": {}, "silent": [], **holds}
        server = subprocess.Popen(
            ["node", str(SCRIPT), str(port), json.dumps(given)],
            env=environment(modules),
            stdout=subprocess.PIPE,
            text=True,
        )
        started.append(server)
        assert server.stdout is not None
        assert server.stdout.readline() == "ready\n"
        return port

    yield start
    for server in started:
        server.kill()
        server.wait(10)


def made(port: int, *valves: dict[str, Any], timeout_s: float = PATIENCE_S, **more: object) -> list[ModbusInstrument]:
    faults: list[Fault] = []
    raw = {"host": "127.0.0.1", "port": port, "timeout_s": timeout_s, "valve": list(valves), **more}
    settings = read_modbus_settings(Section(faults, "", "instrument[1]", raw), read_tcp_address)
    assert faults == []
    return list(build_instruments(settings))


def values(instrument: ModbusInstrument) -> dict[str, float]:
    reading = instrument.read_once(0)
    forms = instrument.valves[0].channels
    return {form.name: form.value(reading.numbers[at]) for at, form in enumerate(forms) if at not in reading.failed}


def test_every_width_in_all_four_orders_and_bits_of_all_tables(serve: Serve) -> None:
    holds: dict[str, dict[int, int]] = {"inputs": {}, "holdings": {5: 0b1011_0000, 6: (-250) & 0xFFFF}}
    channels: list[dict[str, Any]] = [
        {"name": "mode", "table": "holding", "register": 5, "type": "bit", "bit": 4, "bits": 3},
        {"name": "enable", "table": "coil", "register": 9},
        {"name": "pump_running", "table": "discrete", "register": 10},
        {"name": "current", "unit": "A", "table": "holding", "register": 6, "scale": 0.0001},
    ]
    expected: dict[str, float] = {"mode": 0b011, "enable": 1, "pump_running": 0, "current": -0.025}
    orders = itertools.product(("high first", "low first"), repeat=2)
    for at, ((kind, (form, number)), (words_in, bytes_in)) in enumerate(itertools.product(KINDS.items(), orders)):
        sent = struct.pack(form, number)
        words = [sent[at : at + 2] for at in range(0, len(sent), 2)]
        for index, word in enumerate(words if words_in == "high first" else words[::-1]):
            holds["inputs"][10 * at + index] = int.from_bytes(word, "big" if bytes_in == "high first" else "little")
        name = f"supply_{at}"
        channels.append(
            {"name": name, "register": 10 * at, "type": kind, "word_order": words_in, "byte_order": bytes_in}
        )
        expected[name] = number
    (instrument,) = made(serve(bits=[9], **holds), {"id": "press-4.platen", "channel": channels})
    assert values(instrument) == pytest.approx(expected)
    instrument.close()


def test_an_exception_of_any_kind_costs_its_own_channel_and_no_other(serve: Serve) -> None:
    """Exceptions 10 and 11 are a gateway's word that a unit is silent, so nothing of that unit is asked then."""
    codes = (1, 2, 3, 4, 5, 6, 8)
    port = serve(inputs={0: 1200}, refused={10 * code: code for code in codes})
    channels = [{"name": "current", "unit": "A", "register": 0, "scale": 0.001}]
    channels += [{"name": f"supply_{code}", "register": 10 * code} for code in codes]
    (instrument,) = made(port, {"id": "press-4.platen", "channel": channels})
    for _ in range(3):
        reading = instrument.read_once(0)
        assert dict(reading.failed) == dict.fromkeys(range(1, 1 + len(codes)), Reason.REFUSED)
        assert instrument.valves[0].channels[0].value(reading.numbers[0]) == pytest.approx(1.2)
    instrument.close()


def test_a_gateway_that_gets_no_answer_is_a_silent_unit(serve: Serve) -> None:
    for code in (10, 11):
        (instrument,) = made(
            serve(refused={3: code}), {"id": "v", "channel": [{"name": "current", "unit": "A", "register": 3}]}
        )
        assert set(instrument.read_once(0).failed.values()) == {Reason.NO_ANSWER}
        instrument.close()


def test_a_silent_unit_costs_its_neighbour_nothing(serve: Serve) -> None:
    """While unit 2 is waited for, in vain and for as long as the test likes, unit 1 has all of its readings."""
    channel = {"name": "current", "unit": "A", "register": 0, "scale": 0.001}
    port = serve(inputs={0: 1200}, silent=[2])
    good, silent = made(
        port, *({"id": f"press-{unit}.platen", "unit": unit, "channel": [channel]} for unit in (1, 2))
    )
    waiting = threading.Thread(target=silent.read_once, args=(0,), daemon=True)
    waiting.start()
    assert [values(good) for _ in range(100)] == [{"current": pytest.approx(1.2)}] * 100
    assert waiting.is_alive(), "the silent unit was given up before its neighbour was read"
    good.close()
