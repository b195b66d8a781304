"""One connection to a Modbus TCP device that can read and nothing else."""

from __future__ import annotations

import logging
import random
import time
from collections.abc import Callable

from asleft.instruments.backoff import Backoff
from asleft.instruments.modbus_registers import BIT_TABLES, Read
from asleft.wire.block import Reason
from pymodbus.client import ModbusTcpClient
from pymodbus.exceptions import ConnectionException, ModbusException
from pymodbus.pdu import ModbusPDU

logger = logging.getLogger(__name__)

READ_CODES = frozenset({1, 2, 3, 4})
"""Function codes that may be sent: read coils, discrete inputs, holding registers, input registers."""

_FIRST_WAIT_S = 0.2
_MOST_WAIT_S = 5.0


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
    if sending and pdu.function_code not in READ_CODES:
        raise WriteRefused(
            f"function code {pdu.function_code} was about to be sent; only reading (1 to 4) is allowed"
        )
    return pdu


class ModbusLink:
    """A read-only connection that reconnects by itself, at most every few seconds and jittered.

    For one thread. Times come from `clock` (monotonic seconds).
    """

    def __init__(
        self,
        host: str,
        port: int,
        timeout_s: float,
        clock: Callable[[], float] = time.monotonic,
        draw: Callable[[], float] = random.random,
    ) -> None:
        self._address = f"{host}:{port}"
        self._client = ModbusTcpClient(
            host, port=port, timeout=timeout_s, retries=0, name="asleft", trace_pdu=refuse_writes
        )
        self._clock = clock
        self._backoff = Backoff(_FIRST_WAIT_S, _MOST_WAIT_S, draw)
        self._try_at_s = clock()
        self._was_connected: bool | None = None

    def read(self, unit: int, read: Read) -> list[int]:
        """Registers (or bits as 0 and 1) of one unit, `read.count` of them. Raises `ReadFailed`."""
        self._connect()
        try:
            reply = self._request(unit, read)
        except ConnectionException as error:
            self._drop(f"connection lost: {error}")
            raise ReadFailed(Reason.NOT_CONNECTED, f"{self._address}: connection lost") from error
        except (ModbusException, OSError, ValueError, LookupError) as error:
            # A reply that comes late or makes no sense would be taken for the next one's: begin afresh.
            self._drop(f"no usable answer: {error}")
            raise ReadFailed(Reason.NO_ANSWER, f"{self._address}: no usable answer") from error
        if reply.isError():
            raise ReadFailed(
                Reason.REFUSED, f"{self._address} refuses {read} of unit {unit} with exception {reply.exception_code}"
            )
        words = [int(bit) for bit in reply.bits] if read.table in BIT_TABLES else reply.registers
        if len(words) < read.count:
            raise ReadFailed(Reason.REFUSED, f"{self._address} sent {len(words)} of the {read.count} asked for")
        return list(words[: read.count])

    def close(self) -> None:
        """Close the connection; a later read opens it again."""
        self._client.close()  # type: ignore[no-untyped-call]

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
        if not self._client.connect():  # type: ignore[no-untyped-call]
            self._drop("cannot connect")
            raise ReadFailed(Reason.NOT_CONNECTED, f"{self._address}: cannot connect")
        self._backoff.reset()
        if self._was_connected is not True:
            logger.info("%s: connected", self._address)
        self._was_connected = True

    def _drop(self, why: str) -> None:
        """Close and say why, once per loss and not once per try."""
        self._client.close()  # type: ignore[no-untyped-call]
        self._try_at_s = self._clock() + self._backoff.next_s()
        if self._was_connected is not False:
            logger.warning("%s: %s; readings go out marked until it answers again", self._address, why)
        self._was_connected = False
