"""One connection to a Modbus device, over TCP or a serial line, that can read and nothing else."""

from __future__ import annotations

import logging
import os
import random
import struct
import time
from collections.abc import Callable
from pathlib import Path
from typing import NoReturn

from asleft.instruments.backoff import Backoff
from asleft.instruments.modbus_address import ModbusAddress, SerialLine
from asleft.instruments.modbus_port import FUNCTION_CODES, ConnectionLost, ModbusPort, NoReply
from asleft.instruments.modbus_registers import BIT_TABLES, Read
from asleft.instruments.modbus_tcp import ModbusTcp
from asleft.instruments.steps import Steps, finish
from asleft.wire.block import Reason

logger = logging.getLogger(__name__)

_FIRST_WAIT_S = 0.2
_MOST_WAIT_S = 5.0
_WAIT_PER_TIMEOUT = 140
"""Beside others silent units are asked so rarely that waiting for them takes less than a hundredth of the time."""
_MOST_NEIGHBOUR_WAIT_S = 300.0
_SAY_AGAIN_S = 60.0
_SILENT_BEHIND_GATEWAY = frozenset({0x0A, 0x0B})
"""Exceptions of a gateway: path unavailable, target device failed to respond (Modbus application protocol, 7)."""


class ReadFailed(Exception):  # noqa: N818 - reads as what it says
    """A request brought no registers, for `reason`."""

    def __init__(self, reason: Reason, sentence: str) -> None:
        self.reason = reason
        super().__init__(sentence)


class UnitPatience:
    """When a unit that gave no answer may be asked again. Shared by its connections; times are monotonic seconds.

    `neighbours` other units hang on the same line: behind a gateway every request that waits for a silent unit keeps
    them all waiting, so the pauses grow with the time-out and with how many there may be to wait for.
    """

    def __init__(
        self,
        timeout_s: float,
        neighbours: int,
        clock: Callable[[], float] = time.monotonic,
        draw: Callable[[], float] = random.random,
    ) -> None:
        most_s = _MOST_WAIT_S
        if neighbours:
            most_s = min(max(most_s, _WAIT_PER_TIMEOUT * timeout_s * neighbours), _MOST_NEIGHBOUR_WAIT_S)
        self._clock = clock
        self._backoff = Backoff(2 * timeout_s if neighbours else _FIRST_WAIT_S, most_s, draw)
        self._try_at_s = float("-inf")
        self.reason = Reason.NO_ANSWER
        """Why it was given a pause."""

    @property
    def waits(self) -> bool:
        """Whether the unit is left alone for now."""
        return self._clock() < self._try_at_s

    def failed(self, reason: Reason) -> None:
        """It did not answer: pause, each time for longer."""
        self.reason = reason
        self._try_at_s = self._clock() + self._backoff.next_s()

    def answered(self) -> None:
        """It answered: begin again with the shortest pause."""
        if self._try_at_s > float("-inf"):
            self._try_at_s = float("-inf")
            self._backoff.reset()


class ModbusLink:
    """A read-only connection that reconnects by itself, at most every few seconds and jittered.

    For one thread. `patience` has an entry for each unit asked over this connection. `said_s` (when what was last
    logged) may be shared with other connections to the same address. Times come from `clock` (monotonic seconds).
    """

    def __init__(
        self,
        address: ModbusAddress,
        timeout_s: float,
        patience: dict[int, UnitPatience] | None = None,
        clock: Callable[[], float] = time.monotonic,
        draw: Callable[[], float] = random.random,
        said_s: dict[object, float] | None = None,
    ) -> None:
        self._where, self._address = address, str(address)
        self._port = _open_port(address, timeout_s)
        self._clock = clock
        self._patience = {} if patience is None else patience
        self._timeout_s, self._draw = timeout_s, draw
        self._backoff = Backoff(_FIRST_WAIT_S, _MOST_WAIT_S, draw)
        self._try_at_s = clock()
        self._failing: dict[object, bool] = {}  # what does not work -> whether that was logged
        self._said_s = {} if said_s is None else said_s

    @property
    def replied_ns(self) -> int:
        """When its last reply came (monotonic); 0 where that is not known."""
        return self._port.replied_ns

    def read(self, unit: int, read: Read) -> list[int]:
        """What `reading` returns, waited for on this thread."""
        return finish(self.reading(unit, read))

    def reading(self, unit: int, read: Read) -> Steps[list[int]]:
        """Registers (or bits as 0 and 1) of one unit, `read.count` of them. Raises `ReadFailed`.

        A reply counts only if it is of this request: same transaction, unit and function code, and exactly as many
        bytes as were asked for.
        """
        patience = self._patience.get(unit)
        if patience is None:
            patience = self._patience[unit] = UnitPatience(self._timeout_s, 0, self._clock, self._draw)
        if patience.waits:
            raise ReadFailed(patience.reason, f"{self._address}: unit {unit} is silent, waiting before the next try")
        if not self._port.connected:
            yield from self._connect()
        code = FUNCTION_CODES[read.table]
        try:
            reply = yield from self._port.ask(unit, code, read.address, read.count)
        except ConnectionLost as error:
            self._give_pause(unit, read, Reason.NOT_CONNECTED, f"connection lost: {error}")
            raise ReadFailed(Reason.NOT_CONNECTED, f"{self._address}: connection lost") from error
        except NoReply as error:
            # What else arrives on this connection may belong to this request: begin afresh.
            self._give_pause(unit, read, Reason.NO_ANSWER, f"no usable answer: {error}")
            raise ReadFailed(Reason.NO_ANSWER, f"{self._address}: no usable answer") from error
        of_bits = read.table in BIT_TABLES
        size = (read.count + 7) // 8 if of_bits else 2 * read.count
        if len(reply) != 2 + size or reply[0] != code or reply[1] != size:
            self._no_registers(unit, read, code, size, reply)
        patience.answered()
        if self._failing:
            self._works((unit, read), f"unit {unit} answers")
        if of_bits:
            return [reply[2 + at // 8] >> at % 8 & 1 for at in range(read.count)]
        return list(struct.unpack_from(f">{read.count}H", reply, 2))

    def _no_registers(self, unit: int, read: Read, code: int, size: int, reply: bytes) -> NoReturn:
        """Raise `ReadFailed` for a reply that is an exception of the device, or not of this request."""
        patience = self._patience[unit]
        if len(reply) < 2 or reply[0] & 0x7F != code:
            came = reply[0] & 0x7F if reply else 0
            mismatch = f"the reply is of function code {came}, {code} was asked for"
        elif reply[0] & 0x80:
            exception = reply[1]
            if exception in _SILENT_BEHIND_GATEWAY:
                patience.failed(Reason.NO_ANSWER)
                self._fails((unit, read), f"unit {unit}: the gateway gets no answer (exception {exception})")
                sentence = f"{self._address}: no answer from unit {unit} (exception {exception})"
                raise ReadFailed(Reason.NO_ANSWER, sentence)
            patience.answered()
            sentence = f"{self._address} refuses {read} of unit {unit} with exception {exception}"
            raise ReadFailed(Reason.REFUSED, sentence)
        else:
            mismatch = f"the reply has {len(reply) - 2} bytes of data and says {reply[1]}, {size} were asked for"
        self._fails((unit, read), f"unit {unit}: {mismatch}")
        raise ReadFailed(Reason.NO_ANSWER, f"{self._address}, unit {unit}: {mismatch}")

    def close(self) -> None:
        """Close the connection; a later read opens it again."""
        self._port.close()

    def _connect(self) -> Steps[None]:
        now_s = self._clock()
        if now_s < self._try_at_s:
            raise ReadFailed(Reason.NOT_CONNECTED, f"{self._address}: not connected, waiting before the next try")
        if not (yield from self._port.connect()):
            self._try_at_s = self._clock() + self._backoff.next_s()
            self._fails("connection", _why_no_connection(self._where))
            raise ReadFailed(Reason.NOT_CONNECTED, f"{self._address}: cannot connect")
        self._backoff.reset()
        self._works("connection", "connected")

    def _give_pause(self, unit: int, read: Read, reason: Reason, why: str) -> None:
        self._port.close()
        self._patience[unit].failed(reason)
        self._fails((unit, read), f"unit {unit}: {why}")

    def _fails(self, what: object, why: str) -> None:
        """Logged once per loss and not once per try, and not more than once a minute."""
        if what in self._failing:
            return
        now_s = self._clock()
        said = self._failing[what] = now_s - self._said_s.get(what, float("-inf")) >= _SAY_AGAIN_S
        if said:
            self._said_s[what] = now_s
            logger.warning("%s: %s; readings go out marked until it answers again", self._address, why)

    def _works(self, what: object, sentence: str) -> None:
        if self._failing.pop(what, False):
            logger.info("%s: %s again", self._address, sentence)


def _open_port(address: ModbusAddress, timeout_s: float) -> ModbusPort:
    if isinstance(address, SerialLine) or address.rtu:
        # The library is loaded only where there is a line: it takes 9 MB.
        from asleft.instruments.modbus_line import ModbusLine

        return ModbusLine(address, timeout_s)
    return ModbusTcp(address, timeout_s)


def _why_no_connection(address: ModbusAddress) -> str:
    if not isinstance(address, SerialLine):
        return "cannot connect"
    port = Path(address.device)
    if not port.exists():
        return "there is no such port"
    if not os.access(port, os.R_OK | os.W_OK):
        return f"this user may not open the port; it belongs to group {port.group()}"
    return (
        f"the port cannot be opened with {address.baud_rate} baud, {address.parity} parity and {address.stop_bits} "
        "stop bits, or another program has it"
    )
