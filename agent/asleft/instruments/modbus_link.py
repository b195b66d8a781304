"""One connection to a Modbus device, over TCP or a serial line, that can read and nothing else."""

from __future__ import annotations

import logging
import os
import random
import time
from collections.abc import Callable
from pathlib import Path

from asleft.instruments.backoff import Backoff
from asleft.instruments.modbus_address import ModbusAddress, SerialLine
from asleft.instruments.modbus_registers import BIT_TABLES, Read
from asleft.wire.block import Reason
from pymodbus import FramerType
from pymodbus.client import ModbusSerialClient, ModbusTcpClient
from pymodbus.exceptions import ConnectionException, ModbusException
from pymodbus.pdu import ModbusPDU

logger = logging.getLogger(__name__)

FUNCTION_CODES = {"coil": 1, "discrete": 2, "holding": 3, "input": 4}
"""Function codes that may be sent, by the table they read."""

_FIRST_WAIT_S = 0.2
_MOST_WAIT_S = 5.0
_WAIT_PER_TIMEOUT = 140
"""Beside others silent units are asked so rarely that waiting for them takes less than a hundredth of the time."""
_MOST_NEIGHBOUR_WAIT_S = 300.0
_SAY_AGAIN_S = 60.0
_HEADER_BYTES = 7  # MBAP: transaction, protocol and length, two bytes each, and the unit identifier
_SILENT_BEHIND_GATEWAY = frozenset({0x0A, 0x0B})
"""Exceptions of a gateway: path unavailable, target device failed to respond (Modbus application protocol, 7)."""


class ReadFailed(Exception):  # noqa: N818 - reads as what it says
    """A request brought no registers, for `reason`."""

    def __init__(self, reason: Reason, sentence: str) -> None:
        self.reason = reason
        super().__init__(sentence)


class WriteRefused(Exception):  # noqa: N818 - reads as what it says
    """Something in this program tried to send a function code that could change the machine."""


def refuse_writes(sending: bool, pdu: ModbusPDU) -> ModbusPDU:
    """Let requests with function codes 1 to 4 pass, raise `WriteRefused` for all others.

    Hung into the client at the last place before the bytes go out, so that no way of calling it gets round it.
    """
    if sending and pdu.function_code not in FUNCTION_CODES.values():
        raise WriteRefused(
            f"function code {pdu.function_code} was about to be sent; only reading (1 to 4) is allowed"
        )
    return pdu


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

    For one thread. `patience` has an entry for each unit asked over this connection. Times come from `clock`
    (monotonic seconds).
    """

    def __init__(
        self,
        address: ModbusAddress,
        timeout_s: float,
        patience: dict[int, UnitPatience] | None = None,
        clock: Callable[[], float] = time.monotonic,
        draw: Callable[[], float] = random.random,
    ) -> None:
        self._where, self._address = address, str(address)
        self._received = b""
        self._frame = _frame_of_line if address.is_line else _frame
        self._client = _client(address, timeout_s, self._keep_received)
        self._clock = clock
        self._patience = {} if patience is None else patience
        self._timeout_s, self._draw = timeout_s, draw
        self._backoff = Backoff(_FIRST_WAIT_S, _MOST_WAIT_S, draw)
        self._try_at_s = clock()
        self._failing: dict[object, bool] = {}  # what does not work -> whether that was logged
        self._said_s: dict[object, float] = {}

    def read(self, unit: int, read: Read) -> list[int]:
        """Registers (or bits as 0 and 1) of one unit, `read.count` of them. Raises `ReadFailed`.

        A reply counts only if it is of this request: same transaction, unit and function code, and exactly as many
        bytes as were asked for.
        """
        patience = self._patience.get(unit)
        if patience is None:
            patience = self._patience[unit] = UnitPatience(self._timeout_s, 0, self._clock, self._draw)
        if patience.waits:
            raise ReadFailed(patience.reason, f"{self._address}: unit {unit} is silent, waiting before the next try")
        self._connect()
        try:
            reply = self._request(unit, read)
        except ConnectionException as error:
            self._give_pause(unit, read, Reason.NOT_CONNECTED, f"connection lost: {error}")
            raise ReadFailed(Reason.NOT_CONNECTED, f"{self._address}: connection lost") from error
        except (ModbusException, OSError, ValueError, LookupError) as error:
            # What else arrives on this connection may belong to this request: begin afresh.
            self._give_pause(unit, read, Reason.NO_ANSWER, f"no usable answer: {error}")
            raise ReadFailed(Reason.NO_ANSWER, f"{self._address}: no usable answer") from error
        mismatch = _mismatch(self._frame(self._received, reply.transaction_id), read)
        if mismatch:
            self._fails((unit, read), f"unit {unit}: {mismatch}")
            raise ReadFailed(Reason.NO_ANSWER, f"{self._address}, unit {unit}: {mismatch}")
        if reply.isError():
            code = reply.exception_code
            if code in _SILENT_BEHIND_GATEWAY:
                patience.failed(Reason.NO_ANSWER)
                self._fails((unit, read), f"unit {unit}: the gateway gets no answer (exception {code})")
                raise ReadFailed(Reason.NO_ANSWER, f"{self._address}: no answer from unit {unit} (exception {code})")
            patience.answered()
            raise ReadFailed(Reason.REFUSED, f"{self._address} refuses {read} of unit {unit} with exception {code}")
        patience.answered()
        self._works((unit, read), f"unit {unit} answers")
        words = [int(bit) for bit in reply.bits] if read.table in BIT_TABLES else reply.registers
        return list(words[: read.count])

    def close(self) -> None:
        """Close the connection; a later read opens it again."""
        self._client.close()  # type: ignore[no-untyped-call]

    def _keep_received(self, sending: bool, data: bytes) -> bytes:
        self._received = b"" if sending else data
        return data

    def _request(self, unit: int, read: Read) -> ModbusPDU:
        ask = {
            "input": self._client.read_input_registers,
            "holding": self._client.read_holding_registers,
            "discrete": self._client.read_discrete_inputs,
            "coil": self._client.read_coils,
        }[read.table]
        return ask(read.address, count=read.count, device_id=unit)

    def _connect(self) -> None:
        if self._client.connected:
            return
        now_s = self._clock()
        if now_s < self._try_at_s:
            raise ReadFailed(Reason.NOT_CONNECTED, f"{self._address}: not connected, waiting before the next try")
        if not self._client.connect():
            self._try_at_s = self._clock() + self._backoff.next_s()
            self._fails("connection", _why_no_connection(self._where))
            raise ReadFailed(Reason.NOT_CONNECTED, f"{self._address}: cannot connect")
        self._backoff.reset()
        self._works("connection", "connected")

    def _give_pause(self, unit: int, read: Read, reason: Reason, why: str) -> None:
        self._client.close()  # type: ignore[no-untyped-call]
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


def _client(
    address: ModbusAddress, timeout_s: float, trace_packet: Callable[[bool, bytes], bytes]
) -> ModbusTcpClient | ModbusSerialClient:
    if isinstance(address, SerialLine):
        return ModbusSerialClient(
            address.device,
            baudrate=address.baud_rate,
            parity=address.parity[0].upper(),
            stopbits=address.stop_bits,
            timeout=timeout_s,
            retries=0,
            name="asleft",
            trace_pdu=refuse_writes,
            trace_packet=trace_packet,
        )
    return ModbusTcpClient(
        address.host,
        port=address.port,
        framer=FramerType.RTU if address.rtu else FramerType.SOCKET,
        timeout=timeout_s,
        retries=0,
        name="asleft",
        trace_pdu=refuse_writes,
        trace_packet=trace_packet,
    )


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


def _frame_of_line(received: bytes, _transaction: int) -> bytes:
    """The reply from its function code on: behind the unit's number, before the checksum that the client compared."""
    return received[1:-2]


def _frame(received: bytes, transaction: int) -> bytes:
    """The reply of one transaction among what was received, from its function code on."""
    at = 0
    while len(received) - at > _HEADER_BYTES:
        length = int.from_bytes(received[at + 4 : at + 6])
        if int.from_bytes(received[at : at + 2]) == transaction:
            return received[at + _HEADER_BYTES : at + _HEADER_BYTES - 1 + length]
        at += _HEADER_BYTES - 1 + length
    return b""


def _mismatch(reply: bytes, read: Read) -> str:
    """What of a reply (from its function code on) does not belong to the request; empty if all does."""
    asked = FUNCTION_CODES[read.table]
    if not reply or reply[0] & 0x7F != asked:
        return f"the reply is of function code {reply[0] & 0x7F if reply else 0}, {asked} was asked for"
    if reply[0] & 0x80:
        return ""
    expected = (read.count + 7) // 8 if read.table in BIT_TABLES else 2 * read.count
    if len(reply) != 2 + expected or reply[1] != expected:
        return f"the reply has {max(len(reply) - 2, 0)} bytes of data and says {reply[1]}, {expected} were asked for"
    return ""
