"""Examples of the first-run guide: what is written, word for word. Tests read them with the agent's own reader."""

from __future__ import annotations

MODBUS_TOML = """\
agent = "hall-1"             # id of this box: a-z, 0-9, '-' and dots; never reused

[broker]
host = "127.0.0.1"

[[instrument]]
family = "modbus-tcp"
name = "press-1"
host = "192.168.1.40"        # of the controller or gateway; it is only read
port = 502

[[instrument.valve]]
id = "press-1.platen"        # the valve's id, the same in its sheet
unit = 1
channel = [                  # registers count from 0; two counts and what they stand for
  { name = "command", unit = "mA", register = 2, counts = [0, 4095], values = [0, 22] },
  { name = "current", unit = "A", register = 3, counts = [0, 4095], values = [0, 2.0] },
  { name = "pressure", unit = "bar", register = 4, counts = [0, 4095], values = [0, 400] },
  { name = "enable", register = 8, type = "bit", bit = 0 },
]
"""

CSV_TOML = """\
agent = "desk-1"

[[instrument]]
family = "csv-replay"        # a recorded log, played back at the pace it was recorded
file = "log.csv"             # beside this file; columns time, command, current, pressure
valve = "press-1.platen"
loop = true
channel = [
  { name = "command", unit = "mA" },
  { name = "current", unit = "A" },
  { name = "pressure", unit = "bar" },
]
"""

TRY_AGENT = """\
asleft-agent agent.toml --check     # every fault of the file at once
asleft-agent agent.toml --once      # one reading of everything: compare with the instrument's own display
asleft-agent agent.toml
"""

ACCOUNT = """\
asleft users add NAME --role administrator --data DIR
asleft users add NAME --role technician --data DIR
"""

RECORDER = """\
mosquitto -p 1883
asleft record --data DIR --broker 127.0.0.1:1883
"""

ONE_LOG = "asleft judge LOG.csv --sheet valve.toml"
