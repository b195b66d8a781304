"""Units that misbehave: what is taken from them, and what their neighbours on the same address lose."""

from __future__ import annotations

import contextlib
import logging
import sys
import threading
from collections.abc import Iterator
from pathlib import Path

import pytest

sys.path.insert(0, str(Path(__file__).parent))

from asleft.instruments.modbus import ModbusInstrument, build_instruments
from asleft.instruments.modbus_address import TcpAddress
from asleft.instruments.modbus_link import ModbusLink, ReadFailed, UnitPatience
from asleft.instruments.modbus_port import NoReply
from asleft.instruments.modbus_registers import Read
from asleft.instruments.modbus_settings import read_modbus_settings, read_tcp_address
from asleft.instruments.modbus_tcp import ModbusTcp
from asleft.instruments.steps import Steps
from asleft.wire.block import Reason
from asleft.wire.settings import Section
from asleft.wire.settings_faults import Fault
from gateway import Answer, Gateway, Request, good


@pytest.fixture
def gateway() -> Iterator[Gateway]:
    made = Gateway({1: good, 2: good})
    yield made
    made.close()


def instruments(port: int, timeout_s: float, **more: object) -> list[ModbusInstrument]:
    faults: list[Fault] = []
    valves = [
        {"id": f"press-{unit}.platen", "unit": unit, "channel": [{"name": "current", "unit": "A", "register": 3}]}
        for unit in (1, 2)
    ]
    raw = {"host": "127.0.0.1", "port": port, "timeout_s": timeout_s, "name": "hall", "valve": valves, **more}
    settings = read_modbus_settings(Section(faults, "", "instrument[1]", raw), read_tcp_address)
    assert faults == []
    return build_instruments(settings)


def counted_wrong(asked: Request) -> bytes:
    """The right number of registers behind a count of bytes that says one more."""
    pdu = asked.registers()[7:]
    return asked.reply(pdu[:1] + bytes([pdu[1] + 1]) + pdu[2:] + b"\0")


def tail(asked: Request) -> bytes:
    return asked.reply(asked.registers()[7:] + b"\1\2")


def gateway_exception(asked: Request) -> bytes:
    return asked.reply(bytes([asked.code | 0x80, 0x0B]))


PATIENCE_S = 30.0
"""For an answer that comes: only a test that fails waits so long, however slow the machine is."""


def await_answers(link: ModbusLink, within_s: float = PATIENCE_S) -> None:
    """From now on, for so long."""
    link._port.timeout_s = within_s


MISBEHAVING: dict[str, Answer] = {
    "another function code": lambda asked: asked.registers(code=3),
    "bits for registers": lambda asked: asked.reply(bytes([1, 2, 255, 255])),
    "longer": lambda asked: asked.registers(more=1),
    "shorter": lambda asked: asked.registers(more=-1),
    "odd count of bytes": counted_wrong,
    "bytes behind": tail,
    "exception to another function code": lambda asked: asked.reply(bytes([0x83, 2])),
    "function code of writing": lambda asked: asked.reply(b"\x06\0\3\0\1"),
    "unknown function code": lambda asked: asked.reply(b"\x63\2\0\1"),
    "no protocol": lambda _: b"HTTP/1.1 400 Bad Request\r\n\r\n",
    "silence": lambda _: None,
    "hangs up": lambda _: b"",
    "another unit": lambda asked: asked.registers()[:6] + b"\7" + asked.registers()[7:],
    "another transaction": lambda asked: b"\xee\xee" + asked.registers()[2:],
    "the gateway has no answer": gateway_exception,
}


@pytest.mark.parametrize("fault", MISBEHAVING)
def test_a_reply_that_is_not_of_the_request_is_no_reading(gateway: Gateway, fault: str) -> None:
    gateway.units[2] = MISBEHAVING[fault]
    hangs_up = fault == "hangs up"
    link = ModbusLink(TcpAddress("127.0.0.1", gateway.port), PATIENCE_S if hangs_up else 0.1)
    with pytest.raises(ReadFailed) as failure:
        link.read(2, Read("input", 3, 2))
    assert failure.value.reason is (Reason.NOT_CONNECTED if hangs_up else Reason.NO_ANSWER)
    await_answers(link)
    assert link.read(1, Read("input", 3, 2)) == [3, 4], "the next unit on this connection"
    link.close()


def test_a_late_reply_is_not_taken_for_the_next_ones(gateway: Gateway) -> None:
    late = threading.Event()

    def answer(asked: Request) -> bytes:
        if asked.address == 3:
            late.wait(PATIENCE_S)
        return asked.registers()

    gateway.units[1] = answer
    link = ModbusLink(TcpAddress("127.0.0.1", gateway.port), 0.1, draw=lambda: -1.0)  # no pause after a time-out
    with pytest.raises(ReadFailed):
        link.read(1, Read("input", 3, 1))
    late.set()
    await_answers(link)
    assert link.read(1, Read("input", 40, 1)) == [40]
    link.close()


def test_a_unit_that_waits_keeps_no_other_waiting(gateway: Gateway) -> None:
    """Not a matter of time: while unit 2 hangs for as long as the test likes, unit 1 has all of its readings."""
    asked, go_on = threading.Event(), threading.Event()

    def hang(_: Request) -> None:
        asked.set()
        go_on.wait(PATIENCE_S)

    gateway.units[2] = hang
    first, second = instruments(gateway.port, PATIENCE_S)
    assert [made.valves[0].valve for made in (first, second)] == ["press-1.platen", "press-2.platen"]
    waiting = threading.Thread(target=second.read_once, args=(0,), daemon=True)
    waiting.start()
    assert asked.wait(PATIENCE_S)
    readings = [first.read_once(0) for _ in range(100)]
    assert waiting.is_alive(), "the hanging unit was given up before the others were read"
    assert not any(reading.failed for reading in readings)
    go_on.set()
    gateway.close()
    waiting.join(PATIENCE_S)
    first.close()
    second.close()


def test_names_say_which_unit_it_is(gateway: Gateway) -> None:
    assert [made.name for made in instruments(gateway.port, 0.1)] == ["hall unit 1", "hall unit 2"]
    assert [made.name for made in instruments(gateway.port, 0.1, one_connection=True)] == ["hall"]


def test_an_address_that_nobody_answers_at_is_said_once_for_all_its_units(
    caplog: pytest.LogCaptureFixture,
) -> None:
    for made in instruments(1, 0.1):  # nobody listens on port 1 of loopback
        assert set(made.read_once(0).failed.values()) == {Reason.NOT_CONNECTED}
        made.close()
    said = [record.getMessage() for record in caplog.records if record.levelno >= logging.WARNING]
    assert len(said) == 1, said


def test_a_gateway_of_one_client_sees_one_connection(gateway: Gateway) -> None:
    (made,) = instruments(gateway.port, PATIENCE_S, one_connection=True)
    assert not any(made.read_once(index).failed for index in (0, 1) for _ in range(3))
    assert gateway.connections == 1
    made.close()


@pytest.mark.parametrize(("timeout_s", "silent"), [(0.1, 1), (0.5, 1), (0.5, 4), (2.0, 1)])
def test_behind_one_connection_a_silent_unit_costs_less_than_a_hundredth(
    monkeypatch: pytest.MonkeyPatch, timeout_s: float, silent: int
) -> None:
    """An hour by a clock of the test's own: how much of it goes by in waiting for silent units."""
    now = [0.0]
    units = range(1, 1 + silent)
    patience = {one: UnitPatience(timeout_s, silent, clock=lambda: now[0], draw=lambda: 0.5) for one in units}
    link = ModbusLink(TcpAddress("127.0.0.1", 1), timeout_s, patience, clock=lambda: now[0])
    monkeypatch.setattr(ModbusTcp, "connected", True)
    waited_s, tries = 0.0, 0

    def ask(*_: object) -> Steps[bytes]:
        yield from ()
        now[0] += timeout_s
        raise NoReply("none came")

    monkeypatch.setattr(link._port, "ask", ask)
    while now[0] < 3600.0:
        for unit in units:
            before_s = now[0]
            with pytest.raises(ReadFailed) as failure:
                link.read(unit, Read("input", 3, 1))
            assert failure.value.reason is Reason.NO_ANSWER
            waited_s += now[0] - before_s
            tries += now[0] > before_s
        now[0] += 0.2
    first_pauses_s = silent * 10 * timeout_s
    assert (waited_s - first_pauses_s) / now[0] < 0.01
    assert tries > 10, "it must be found again"


def test_a_unit_that_is_back_is_read_at_once_again(gateway: Gateway, monkeypatch: pytest.MonkeyPatch) -> None:
    now, asked = [0.0], [0]
    patience = {1: UnitPatience(0.05, 1, clock=lambda: now[0], draw=lambda: 1.0)}
    link = ModbusLink(TcpAddress("127.0.0.1", gateway.port), 0.05, patience, clock=lambda: now[0])
    ask = link._port.ask

    def counted(*request: int) -> Steps[bytes]:
        asked[0] += 1
        return ask(*request)

    monkeypatch.setattr(link._port, "ask", counted)
    gateway.units[1] = MISBEHAVING["silence"]
    for _ in range(6):
        with pytest.raises(ReadFailed):
            link.read(1, Read("input", 3, 1))
        now[0] += 10.0
    gateway.units[1] = good
    await_answers(link)
    assert link.read(1, Read("input", 3, 1)) == [3]
    assert link.read(1, Read("input", 3, 1)) == [3]
    gateway.units[1] = MISBEHAVING["silence"]
    await_answers(link, 0.05)
    before = asked[0]
    for _ in range(5):
        with pytest.raises(ReadFailed):
            link.read(1, Read("input", 3, 1))
        now[0] += 0.11  # above the first pause again, not above the long one it had grown to
        if asked[0] > before + 1:
            break
    assert asked[0] == before + 2
    link.close()


def test_a_reply_that_never_fits_is_logged_once_a_minute(gateway: Gateway, caplog: pytest.LogCaptureFixture) -> None:
    now = [0.0]
    link = ModbusLink(TcpAddress("127.0.0.1", gateway.port), PATIENCE_S, clock=lambda: now[0])
    flip = iter(range(10_000))
    gateway.units[1] = lambda asked: asked.registers(more=next(flip) % 2)
    with caplog.at_level(logging.INFO, logger="asleft"):
        for _ in range(100):  # good and bad in turn, for 100 s
            for read in (Read("input", 3, 1), Read("input", 3, 1)):
                with contextlib.suppress(ReadFailed):
                    link.read(1, read)
            now[0] += 1.0
    said = [record.getMessage() for record in caplog.records if record.levelno >= logging.WARNING]
    assert len(said) == 2, said
    assert "4 bytes of data" in said[0]
    assert "2 were asked for" in said[0]
    link.close()
