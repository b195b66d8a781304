"""Puts the demo together: folder, sheets, broker, presses, recorder, dashboard, agents, history."""

from __future__ import annotations

import signal
import sys
import time
import tomllib
import urllib.error
import urllib.request
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from pathlib import Path
from types import FrameType

from asleft.cli.demonstration import account as accounts
from asleft.cli.demonstration import broker as brokers
from asleft.cli.demonstration import folder as folders
from asleft.cli.demonstration.ports import LOOPBACK, answers, any_free, first_free
from asleft.cli.demonstration.processes import Household, Part
from asleft.cli.errors import UserError
from asleft.sheet.reader import read_sheet
from asleft.store.bindings import open_bindings
from asleft.store.protocols import RecordStore, SheetRecord
from asleft.store.records import RECORDS_FILE, open_records

_PRESSES = 4
HISTORY_AGENT = "history"
"""The agent's name under which `asleft.cli.history` sends."""
_START_S = 60.0
_EPOCH = datetime(1970, 1, 1, tzinfo=UTC)


class Interrupted(Exception):  # noqa: N818 - reads as what it says
    """Somebody wants us to end."""


@dataclass(frozen=True, slots=True)
class Options:
    """What was asked for."""

    folder: Path
    port: int
    zone: str
    broker: str
    history: bool
    fresh: bool


def run_demo(options: Options) -> int:
    """Run until interrupted; the exit code."""
    for number in (signal.SIGTERM, signal.SIGINT, signal.SIGHUP):
        signal.signal(number, _interrupt)
    folder, lock = folders.take(options.folder, fresh=options.fresh)
    household = Household()
    try:
        _start(options, folder, household)
        _watch(options, folder, household)
    except (Interrupted, KeyboardInterrupt):
        print("\nending", flush=True)
    finally:
        for number in (signal.SIGTERM, signal.SIGINT, signal.SIGHUP):
            signal.signal(number, signal.SIG_IGN)  # a second Ctrl-C must not leave half of them behind
        killed = household.stop()
        lock.close()
    if killed:
        print(f"had to be killed: {', '.join(killed)}", file=sys.stderr)
    print("all processes have ended; what was recorded is kept in", folder.root, flush=True)
    return 0


def _interrupt(_number: int, _frame: FrameType | None) -> None:
    raise Interrupted


def _start(options: Options, folder: folders.Folder, household: Household) -> None:
    first_start_s = folder.first_start_s()
    web_port = _web_port(options.port)
    broker_port, *press_ports = any_free(1 + _PRESSES)
    broker = brokers.choose(options.broker, broker_port, folder.root)
    print(f"broker: {broker.name}", flush=True)
    folder.data.mkdir(parents=True, exist_ok=True)
    # The dashboard pays its imports while everything else starts.
    asleft = (sys.executable, "-m", "asleft.cli.main")
    records = open_records(folder.data / "records.db")
    try:
        valves = file_sheets(records, first_start_s)
        history = options.history and prepare_history(records, valves, first_start_s)
    finally:
        records.close()

    def part(name: str, *command: str, once: bool = False) -> None:
        household.start(Part(name, command, folder.logs / f"{name}.log", once=once))

    part("broker", *broker.command)
    ports = ",".join(map(str, press_ports))
    story = datetime.fromtimestamp(first_start_s, UTC).isoformat()
    part("presses", sys.executable, "-m", "asleft.sim", "--ports", ports, "--now", story)
    stated = accounts.prepare(folder.data / RECORDS_FILE)
    at = ("--port", str(web_port), "--zone", options.zone, *(("--notice", accounts.NOTICE) if stated else ()))
    part("dashboard", *asleft, "web", "--data", str(folder.data), *at)
    named = {f"@PRESS_{k + 1}_PORT@": port for k, port in enumerate(press_ports)}
    settings_files = folders.write_agents(folder, broker_port, named)
    _bind(folder, settings_files, valves)
    _wait("the broker", household, lambda: answers(broker_port))
    record = (*asleft, "record", "--data", str(folder.data), "--broker", f"{LOOPBACK}:{broker_port}")
    work = "it stores what has come, and ends what it is judging just now"
    household.start(Part("recorder", record, folder.logs / "recorder.log", last_work=work))
    for port in press_ports:
        _wait("the presses", household, lambda port=port: answers(port))  # type: ignore[misc]
    for settings in settings_files:
        part(settings.stem, sys.executable, "-m", "asleft.edge.main", str(settings))
    if history:
        command = (sys.executable, "-m", "asleft.cli.history", "--data", str(folder.data))
        spool = str(folder.root / "spools" / "history.db")
        more = ("--broker", f"{LOOPBACK}:{broker_port}", "--spool", spool, "--now", str(first_start_s))
        part("history", *command, *more, once=True)
    address = f"http://{LOOPBACK}:{web_port}/"
    _wait("the dashboard", household, lambda: _serves(address))
    print(f"Asleft is live at {address}   (Ctrl-C ends it)", flush=True)
    if stated:
        print(f"sign in there as {accounts.NAME}, password: {accounts.PASSWORD}", flush=True)
    else:
        print(f"sign in there; the account {accounts.NAME} no longer has the demo's password", flush=True)


def _bind(folder: folders.Folder, settings_files: Sequence[Path], valves: Sequence[str]) -> None:
    """Say which agent sends which valve: the edge boxes their own, and the maker of the history all."""
    bindings = open_bindings(folder.data / RECORDS_FILE)
    try:
        bindings.bind(HISTORY_AGENT, valves, time.time_ns(), accounts.DEMO)
        for path in settings_files:
            settings = tomllib.loads(path.read_text(encoding="utf-8"))
            own = [valve["id"] for one in settings["instrument"] for valve in one.get("valve", ())]
            bindings.bind(settings["agent"], own, time.time_ns(), accounts.DEMO)
    finally:
        bindings.close()


def _web_port(wanted: int) -> int:
    if not 1 <= wanted <= 65_535:
        raise UserError(f"--port {wanted}: must lie between 1 and 65535")
    try:
        port = first_free(wanted)
    except OSError as error:
        raise UserError(f"--port {wanted}: {error}") from error
    if port != wanted:
        print(f"port {wanted} is taken, so the dashboard uses {port}", flush=True)
    return port


def _wait(what: str, household: Household, ready: Callable[[], bool]) -> None:
    """Until it is ready; a part that keeps dying or never comes is told with its log."""
    until_s = time.monotonic() + _START_S
    while not ready():
        for sentence in household.look_after():
            print(sentence, file=sys.stderr, flush=True)
        if time.monotonic() > until_s:
            logs = household.parts[-1].log.parent if household.parts else Path()
            raise UserError(f"{what} did not start within {_START_S:.0f} s; its log is in {logs}")
        time.sleep(0.05)


def _serves(address: str) -> bool:
    try:
        with urllib.request.urlopen(address, timeout=5.0) as answer:
            return bool(answer.status == 200)
    except (urllib.error.URLError, TimeoutError, ConnectionError):
        return False


def file_sheets(records: RecordStore, first_start_s: float) -> list[str]:
    """Put the demo plant's sheets on record (once); ids of its valves."""
    valves = []
    for name, text in sorted(folders.sheets(first_start_s).items()):
        sheet = read_sheet(text, source=name)
        at = sheet.revision.at
        if at is None:
            raise UserError(f"{name}: [revision] at is missing")
        at_ns = (at - _EPOCH) // timedelta(microseconds=1) * 1000
        record = SheetRecord(
            sheet.valve, sheet.revision.number, at_ns, sheet.revision.by, sheet.revision.why, text, time.time_ns()
        )
        records.put_sheet(record, accounts.DEMO)
        valves.append(sheet.valve)
    return valves


def prepare_history(records: RecordStore, valves: list[str], first_start_s: float) -> bool:
    """Have live blocks wait for the history at the first start; whether history is still to be made."""
    from asleft.cli.history import hold

    return hold(records, valves, first_start_s)


def _watch(options: Options, folder: folders.Folder, household: Household) -> None:
    """Until interrupted: restart what dies, tell how the history gets on."""
    told = -1
    while True:
        for sentence in household.look_after():
            print(sentence, file=sys.stderr, flush=True)
        if options.history and told < 4:
            told = _tell_history(folder, told)
        time.sleep(1.0)


def _tell_history(folder: folders.Folder, told: int) -> int:
    """Say each quarter once; the last quarter told."""
    records = open_records(folder.data / "records.db")
    try:
        rows = records.backfills()
    finally:
        records.close()
    done, total = sum(row.done for row in rows), sum(row.total for row in rows)
    if total == 0:
        return told
    quarter = 4 if all(row.complete for row in rows) else min(4 * done // total, 3)
    if quarter > max(told, 0) or (told < 0 and quarter == 0):
        text = "judged" if quarter == 4 else f"{done} of {total} windows judged"
        print(f"three weeks of history: {text}", flush=True)
    return quarter
