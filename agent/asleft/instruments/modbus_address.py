"""Where a Modbus device is asked: over TCP, or over a serial line. Pure."""

from __future__ import annotations

from dataclasses import dataclass

FRAMINGS = ("tcp", "rtu")
"""How messages are framed over TCP: with the header of Modbus TCP, or passed through as on a serial line."""

PARITIES = ("even", "odd", "none")
"""Of a serial line; even is what a device must offer (Modbus over serial line, 2.5.1)."""

BAUD_RATES = (1200, 2400, 4800, 9600, 19200, 38400, 57600, 76800, 115200)


@dataclass(frozen=True, slots=True)
class TcpAddress:
    """A host and a port."""

    host: str
    port: int = 502
    rtu: bool = False
    """Frames as on a serial line: what hangs behind is one line, on which one request is under way at a time."""

    def __str__(self) -> str:
        """As messages name it."""
        return f"{self.host}:{self.port}"

    @property
    def is_line(self) -> bool:
        """Whether all units share one line."""
        return self.rtu


@dataclass(frozen=True, slots=True)
class SerialLine:
    """A serial port of this machine, 8 data bits."""

    device: str
    baud_rate: int = 19200
    parity: str = "even"
    stop_bits: int = 1

    def __str__(self) -> str:
        """As messages name it."""
        return self.device

    @property
    def is_line(self) -> bool:
        """Whether all units share one line."""
        return True

    def least_request_s(self, registers: int) -> float:
        """Shortest time of one request and its reply, the device's own delay left out.

        8 characters there, 5 + 2 `registers` back, and a silence of 3.5 characters after each (1.75 ms above 19200
        baud); a character has 11 bits (Modbus over serial line, 2.5.1).
        """
        character_s = 11 / self.baud_rate
        silence_s = max(3.5 * character_s, 0.00175) if self.baud_rate > 19200 else 3.5 * character_s
        return (13 + 2 * registers) * character_s + 2 * silence_s


ModbusAddress = TcpAddress | SerialLine
