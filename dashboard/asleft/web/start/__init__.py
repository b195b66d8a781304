"""The first-run guide: from nothing to the first sheet."""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import dataclass

from asleft.web.access.visitor import Access, current
from asleft.web.frame import Frame
from asleft.web.hrefs import sheet_href
from asleft.web.source import Source
from asleft.web.views.storing import REPORT_WITHIN_S, recorder_of
from asleft.web.when import age
from asleft.web.words import number, plural, sentence_case
from flask import Flask
from werkzeug.wrappers import Response

# Examples of the first-run guide: what is written, word for word. Tests read them with the agent's own reader.

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


def register(server: Flask, source: Source, access: Access) -> None:
    """Add the route. Where a step is done, what to write is folded away."""

    @server.get("/start")
    def _start() -> Response:
        view = start_view(source, accounts=access.closed)
        title = "From nothing to the first sheet"
        frame = Frame(source, current())
        examples = {
            "MODBUS_TOML": MODBUS_TOML,
            "CSV_TOML": CSV_TOML,
            "TRY_AGENT": TRY_AGENT,
            "ACCOUNT": ACCOUNT,
            "RECORDER": RECORDER,
            "ONE_LOG": ONE_LOG,
        }
        return frame.filled(title, "start/start.html", view=view, examples=examples)


@dataclass(frozen=True, slots=True)
class Step:
    """One step, and what the stores say of it."""

    key: str
    title: str
    done: bool
    seen: str  # what is seen of it now, a sentence


@dataclass(frozen=True, slots=True)
class Waiting:
    """A valve that sends and has no sheet."""

    valve: str
    href: str
    words: str


@dataclass(frozen=True, slots=True)
class StartView:
    """The page."""

    headline: str
    steps: list[Step]
    waiting: list[Waiting]

    def step(self, key: str) -> Step:
        """One of the steps by its key."""
        return next(step for step in self.steps if step.key == key)


def start_view(source: Source, *, accounts: bool) -> StartView:
    """Reads what the stores hold; `accounts`: whether there are any."""
    now, fleet = source.now_ns(), source.fleet()
    filed = set(source.records.sheet_valves())
    sending = [valve for valve in fleet.valves if valve in fleet.spans]
    waiting = [
        Waiting(valve, f"{sheet_href(valve)}/revise", _since(source, fleet.spans[valve], now))
        for valve in sending
        if valve not in filed
    ]
    judged = [valve for valve in filed if valve in fleet.judgements]
    steps = [
        Step("accounts", "Make the first account", accounts, _accounts(accounts)),
        _recorder(source, now),
        _agents(source, len(sending) + fleet.unlisted, now),
        Step("sheet", "File the first sheet", bool(filed), _sheets(filed, len(waiting) + fleet.unlisted)),
        Step("judged", "Read the first sentence", bool(judged), _judged(judged, filed)),
    ]
    return StartView(_headline(steps), steps, waiting)


def _headline(steps: list[Step]) -> str:
    left = [step for step in steps if not step.done]
    if not left:
        return "Everything is set up: valves send, have sheets and are judged."
    nothing = not any(step.done for step in steps)
    first = f"{left[0].title[:1].lower()}{left[0].title[1:]}"
    if nothing:
        return f"Nothing is set up yet. {number(len(steps), first=True)} steps lead to the first judged valve."
    verb = plural(len(left), "is", "are")
    return f"{number(len(left), first=True)} of {number(len(steps))} steps {verb} left. Next: {first}."


def _accounts(accounts: bool) -> str:
    if accounts:
        return "There are accounts: whoever enters something does so by name."
    return "There are none: everybody on this machine may look, nobody may enter anything here."


def _recorder(source: Source, now_ns: int) -> Step:
    row = recorder_of({row.source: row for row in source.records.health()}, now_ns)
    title = "Start broker and recorder"
    if row is None:
        return Step("recorder", title, False, "No recorder has ever reported to this store.")
    silent_s = (now_ns - row.at_ns) / 1e9
    if silent_s > REPORT_WITHIN_S:
        return Step("recorder", title, False, f"The recorder has been silent for {age(silent_s)}: start it again.")
    return Step("recorder", title, True, f"The recorder works; it reported {age(silent_s)} ago.")


def _agents(source: Source, sending: int, now_ns: int) -> Step:
    title = "Connect an agent to the instrument"
    marks = source.samples.marks()
    if not sending and (refused := _refused(source, now_ns)):
        return Step("agent", title, False, f"Blocks arrive and are not stored: {refused}.")
    if not marks and not sending:
        return Step("agent", title, False, "Nothing has arrived yet.")
    names = sorted({mark.agent for mark in marks})
    newest = max((mark.last_at_ns for mark in marks), default=0)
    last = f", the last {age((now_ns - newest) / 1e9)} ago" if newest else ""
    who = f" from {plural(len(names), 'agent', 'agents')} {', '.join(names)}" if names else ""
    count = f"{number(sending, first=True)} {plural(sending, 'valve sends', 'valves send')}"
    if not sending:
        return Step("agent", title, False, f"Blocks arrive{who}{last}, of no valve yet.")
    return Step("agent", title, True, f"Blocks arrive{who}{last}. {sentence_case(count)}.")


def _refused(source: Source, now_ns: int) -> str:
    """What the recorder says of the first that an agent may not send."""
    row = recorder_of({row.source: row for row in source.records.health()}, now_ns)
    refused = None if row is None else row.details.get("refused")
    return str(refused[0].get("words", "")) if isinstance(refused, list) and refused else ""


def _sheets(filed: Collection[str], waiting: int) -> str:
    if not filed and not waiting:
        return "No sheet is filed. One may be filed before its valve sends anything."
    count = f"{number(len(filed), first=True)} {plural(len(filed), 'valve has', 'valves have')} a sheet"
    if not filed:
        count = "No sheet is filed"
    if not waiting:
        return f"{count}."
    verb = plural(waiting, "valve sends and has none", "valves send and have none")
    return f"{count}; {number(waiting)} {verb}: stored, not judged."


def _judged(judged: Collection[str], filed: Collection[str]) -> str:
    if not filed:
        return "Judging begins with the first sheet, for all that has been stored since the time it names."
    if not judged:
        return "Not judged yet: the recorder judges within seconds of the first production it sees."
    return f"{number(len(judged), first=True)} {plural(len(judged), 'valve is', 'valves are')} judged."


def _since(source: Source, span: tuple[int, int], now_ns: int) -> str:
    return f"sends data since {source.time.moment(span[0], now_ns)}, the last {age((now_ns - span[1]) / 1e9)} ago"
