"""Frames of a serial line, on a port or through TCP: framing and checksum by pymodbus, what may be sent by us."""

from __future__ import annotations

from asleft.instruments.modbus_address import ModbusAddress, SerialLine
from asleft.instruments.modbus_port import FUNCTION_CODES, ConnectionLost, NoReply, refuse_writes
from asleft.instruments.steps import Steps
from pymodbus import FramerType
from pymodbus.client import ModbusSerialClient, ModbusTcpClient
from pymodbus.exceptions import ConnectionException, ModbusException
from pymodbus.pdu import ModbusPDU


class ModbusLine:
    """See `asleft.instruments.modbus_port.ModbusPort`, which it implements: in one step, which waits itself."""

    replied_ns = 0

    def __init__(self, address: ModbusAddress, timeout_s: float) -> None:
        self._received = b""
        if isinstance(address, SerialLine):
            self._client: ModbusSerialClient | ModbusTcpClient = ModbusSerialClient(
                address.device,
                baudrate=address.baud_rate,
                parity=address.parity[0].upper(),
                stopbits=address.stop_bits,
                timeout=timeout_s,
                retries=0,
                name="asleft",
                trace_pdu=_only_reads,
                trace_packet=self._keep_received,
            )
        else:
            self._client = ModbusTcpClient(
                address.host,
                port=address.port,
                framer=FramerType.RTU,
                timeout=timeout_s,
                retries=0,
                name="asleft",
                trace_pdu=_only_reads,
                trace_packet=self._keep_received,
            )
        self._asks = {
            FUNCTION_CODES["coil"]: self._client.read_coils,
            FUNCTION_CODES["discrete"]: self._client.read_discrete_inputs,
            FUNCTION_CODES["holding"]: self._client.read_holding_registers,
            FUNCTION_CODES["input"]: self._client.read_input_registers,
        }

    @property
    def connected(self) -> bool:
        """Whether it is open, as far as is known."""
        return bool(self._client.connected)

    def connect(self) -> Steps[bool]:
        """Open it; False if that is not possible."""
        yield from ()
        return bool(self._client.connect())

    def close(self) -> None:
        """Close it."""
        self._client.close()  # type: ignore[no-untyped-call]

    def ask(self, unit: int, code: int, address: int, count: int) -> Steps[bytes]:
        """The reply to one request, from its function code on. See `ModbusPort.ask`."""
        yield from ()
        refuse_writes(code)
        try:
            self._asks[code](address, count=count, device_id=unit)
        except ConnectionException as error:
            raise ConnectionLost(str(error)) from error
        except (ModbusException, OSError, ValueError, LookupError) as error:
            raise NoReply(str(error)) from error
        # The library takes any function code and any length that decodes, so the bytes themselves are given: behind
        # the unit's number, before the checksum that it compared.
        return self._received[1:-2]

    def _keep_received(self, sending: bool, data: bytes) -> bytes:
        self._received = b"" if sending else data
        return data


def _only_reads(sending: bool, pdu: ModbusPDU) -> ModbusPDU:
    """Hung into the client at the last place before the bytes go out: no way of calling it gets round this."""
    if sending:
        refuse_writes(pdu.function_code)
    return pdu
