"""The register map of a simulated press, as numbers; `sim/REGISTERS.md` is the same in prose.

One TCP server per press, one unit identifier per valve. All readings are input registers (function code 4).
"""

from __future__ import annotations

import struct

import numpy as np
import numpy.typing as npt
from asleft.sim.bursts import FastBurst

LAYOUT = 1
"""Version of this map, in register 0."""

VERSION, COUNTER, COMMAND, CURRENT, PRESSURE, SUPPLY, OIL_TEMPERATURE, COIL_VOLTAGE, STATUS, MODE = range(10)
READINGS = 10
"""Registers 0..9 belong together: one reply holds one instant."""

#: Channel -> input register of its converter count (int16).
CHANNEL_REGISTER = {
    "command": COMMAND,
    "current": CURRENT,
    "pressure": PRESSURE,
    "supply": SUPPLY,
    "oil_temperature": OIL_TEMPERATURE,
    "coil_voltage": COIL_VOLTAGE,
    "mode": MODE,
}
#: Channel -> bit of the status register, and discrete input (function code 2) of the same number.
STATUS_BIT = {"enable": 0, "pump_running": 1}

NOT_FITTED = 0x8000
"""What the register of a channel holds that the valve does not have."""

BUFFERS = (1000, 4000)
"""First registers of the two burst buffers, filled in turn."""
BURST_READINGS = 2500
SEQUENCE_BEFORE, RATE, START, COUNT, SAMPLES = 0, 1, 3, 7, 8
"""Positions in a buffer: uint16; float32 (Hz); uint64 (microseconds since 1970 UTC); uint16; int16 readings."""
SEQUENCE_AFTER = SAMPLES + BURST_READINGS
BUFFER_LENGTH = SEQUENCE_AFTER + 1
BURST_EVERY_S = 20.0

READ_CODES = (2, 4)
"""Function codes that are answered; all others are refused with exception 1 (illegal function)."""


def reading_rows(counts: dict[str, npt.NDArray[np.int16]], first_counter: int) -> list[list[int]]:
    """Registers 0..9 for each sample of one valve; `counts` holds the recorded channels, each (n,)."""
    size = next(iter(counts.values())).size
    rows = np.full((size, READINGS), NOT_FITTED, dtype=np.int64)
    rows[:, VERSION] = LAYOUT
    rows[:, COUNTER] = (first_counter + np.arange(size)) & 0xFFFF
    rows[:, STATUS] = 0
    for channel, values in counts.items():
        if channel in STATUS_BIT:
            rows[:, STATUS] |= (values != 0).astype(np.int64) << STATUS_BIT[channel]
        else:
            rows[:, CHANNEL_REGISTER[channel]] = values.astype(np.int64) & 0xFFFF
    return [list(map(int, row)) for row in rows.tolist()]


def burst_registers(burst: FastBurst, sequence: int) -> list[int]:
    """A whole buffer holding `burst`; `sequence` 1..65535. Raises ValueError if it does not fit."""
    count = int(burst.counts.size)
    if count > BURST_READINGS:
        raise ValueError(f"a burst of {count} readings does not fit a buffer of {BURST_READINGS}")
    if not 1 <= sequence <= 0xFFFF:
        raise ValueError(f"sequence of a burst must lie in 1..65535, not {sequence}")
    head = struct.pack(">HfQH", sequence, burst.rate_hz, round(burst.start_s * 1e6), count)
    words = list(struct.unpack(f">{len(head) // 2}H", head))
    words += (burst.counts.astype(np.int64) & 0xFFFF).tolist()
    return [*words, *([0] * (BURST_READINGS - count)), sequence]
