"""`asleft`: finds the command, loads only that command's module, and turns its errors into one readable message.

A command module offers `HELP: str` (what it does, examples, exit codes, cautions), `add_arguments(parser)` and
`run(args) -> int`. Heavy imports belong inside `run`, so that help pages come at once.
"""

from __future__ import annotations

import argparse
import errno
import importlib
import io
import os
import sys
from collections.abc import Mapping
from difflib import get_close_matches
from typing import NamedTuple, NoReturn, Protocol, cast

from asleft.cli.audit_syslog import sent_to_syslog
from asleft.cli.errors import UserError
from asleft.logfile.errors import LogError

EXIT_WRONG_INPUT = 2
#: Errors of a disk that cannot take more; an exit code of 1 would say that something was found.
_DISK_FULL = frozenset({errno.ENOSPC, errno.EDQUOT, errno.EFBIG, errno.EIO})
EXIT_INTERRUPTED = 130


class Command(NamedTuple):
    """One sub-command: where it lives, what it does in one line, and the extras it needs."""

    module: str
    summary: str
    extras: str = "plant"


class CommandModule(Protocol):
    """What a command's module offers."""

    HELP: str

    def add_arguments(self, parser: argparse.ArgumentParser) -> None:
        """Declare the command's arguments."""
        ...

    def run(self, args: argparse.Namespace) -> int:
        """Do it; the exit code."""
        ...


COMMANDS: Mapping[str, Command] = {
    "demo": Command(
        "asleft.cli.demo", "Show everything at work on simulated presses, on this machine.", "plant,demo"
    ),
    "judge": Command("asleft.cli.judge", "Judge a data logger's file against a settings sheet."),
    "inbox": Command("asleft.cli.inbox", "Judge each file that a logger drops into a folder, and put it away."),
    "log": Command("asleft.cli.log", "Show what is in a logger's file, and write the map that reads it."),
    "sheet": Command("asleft.cli.sheet", "Write, check, compare and file settings sheets."),
    "verify": Command("asleft.cli.verify", "Write a verification record from logger's files."),
    "handover": Command(
        "asleft.cli.handover", "Put the valves of a press together: sheets, records, one PDF or ZIP."
    ),
    "record": Command("asleft.cli.record", "Run the recorder: receive, store, judge."),
    "agents": Command("asleft.cli.agents", "Say which agent may send the readings of which valve."),
    "rejudge": Command("asleft.cli.rejudge", "Judge stored history under another sheet: what would have alarmed?"),
    "report": Command("asleft.cli.report", "Write the state of a valve as a report, HTML or PDF."),
    "export": Command("asleft.cli.export", "Write stored readings to a CSV or Parquet file.", "plant,export"),
    "web": Command("asleft.cli.web", "Serve the dashboard."),
    "notify": Command("asleft.cli.notify", "Tell people of alarms, by mail, web hook and more."),
    "outlets": Command("asleft.cli.outlets", "Send on what happens: web hooks, statuses by MQTT."),
    "backup": Command("asleft.cli.backup", "Copy what a plant has, while everything runs."),
    "restore": Command("asleft.cli.restore", "Put a backup back, or bring readings back out of a damaged file."),
    "users": Command("asleft.cli.users", "Say who may sign in to the dashboard, and as what."),
    "tokens": Command("asleft.cli.tokens", "Give programs access to what the dashboard knows, and take it away."),
    "sim": Command("asleft.cli.sim", "Run simulated presses behind Modbus TCP."),
}

#: Import name -> extra that brings it.
EXTRA_OF_MODULE: Mapping[str, str] = {
    **dict.fromkeys(
        (
            "alembic",
            "apprise",
            "weasyprint",
            "dash",
            "numcodecs",
            "pandas",
            "plotly",
            "pyarrow",
            "python_calamine",
            "rich",
            "scipy",
        ),
        "plant",
    ),
    **dict.fromkeys(
        ("argcomplete", "argon2", "influxdb_client", "psycopg", "pyotp", "sqlalchemy", "tzdata", "waitress"), "plant"
    ),
    **dict.fromkeys(("flask", "werkzeug"), "plant"),
    "amqtt": "demo",
    "influxdb_client": "plant",
}

ABOUT = """\
asleft - is the valve still the way it was left?

Re-measures the settings of open-loop proportional hydraulic valves from
production data: as found beside as left. It only reads; it never writes to a
machine, needs no test cycle, and is no safety device.

usage: asleft COMMAND ...        asleft COMMAND --help        asleft --version

commands:
{commands}
first steps:
  asleft sheet new --valve-id press-4.platen --signal 4-20mA > press-4.toml
  asleft sheet check press-4.toml
  asleft judge logger.csv --sheet press-4.toml

exit codes: 0 done; 1 done, and something was found; 2 wrong input or
missing part, with a message that says what is wanted; 3 too little could be
judged; 130 interrupted.
"""


def main(argv: list[str] | None = None) -> int:
    """Run one command; the exit code. Errors a user can put right go to stderr as one message, with code 2."""
    _never_fail_on_a_character()
    if "_ARGCOMPLETE" in os.environ:
        _complete()
    try:
        code = _main(sys.argv[1:] if argv is None else argv)
        sys.stdout.flush()
    except BrokenPipeError:
        # Whoever read our output (`| head`) has enough; keep the interpreter from complaining while it shuts down.
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        return EXIT_WRONG_INPUT
    except OSError as error:
        if error.errno not in _DISK_FULL:
            raise
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        return _refuse(f"asleft: the output cannot be written: {error.strerror}")
    return code


def _complete() -> None:
    """Tell a shell how the line it is at goes on, and end. Only the command that is typed is loaded."""
    import argcomplete

    parser = argparse.ArgumentParser(prog="asleft")
    commands = parser.add_subparsers()
    typed = os.environ.get("COMP_LINE", "").split()[1:2]
    for name, command in COMMANDS.items():
        own = commands.add_parser(name, help=command.summary)
        if name in typed:
            cast("CommandModule", importlib.import_module(command.module)).add_arguments(own)
    argcomplete.autocomplete(parser)


def _main(argv: list[str]) -> int:
    if not argv or argv[0] in ("-h", "--help", "help"):
        print(about(), end="")
        return 0 if argv else EXIT_WRONG_INPUT
    if argv[0] == "--version":
        from importlib.metadata import version

        print(f"asleft {version('asleft')}")
        return 0
    name = argv[0]
    command = COMMANDS.get(name)
    if command is None:
        near = get_close_matches(name, COMMANDS, n=1)
        hint = f"; did you mean {near[0]}?" if near else ""
        return _refuse(
            f"asleft: there is no command {name!r}{hint}\nCommands: {', '.join(COMMANDS)}. See asleft --help."
        )
    return _run(name, command, argv[1:])


def about() -> str:
    """The page `asleft --help` prints."""
    width = max(map(len, COMMANDS))
    return ABOUT.format(commands="".join(f"  {name:<{width}}  {c.summary}\n" for name, c in COMMANDS.items()))


def _run(name: str, command: Command, argv: list[str]) -> int:
    try:
        module = cast("CommandModule", importlib.import_module(command.module))
        parser = _Parser(
            prog=f"asleft {name}",
            description=command.summary,
            epilog=module.HELP,
            formatter_class=argparse.RawDescriptionHelpFormatter,
        )
        module.add_arguments(parser)
        args = parser.parse_args(argv)
        with sent_to_syslog():
            return module.run(args)
    except (UserError, LogError) as error:
        return _refuse(str(error))
    except ModuleNotFoundError as error:
        extra = EXTRA_OF_MODULE.get((error.name or "").split(".")[0])
        if extra is None:
            raise
        return _refuse(
            f"asleft {name} needs {error.name}, which is not installed here.\n"
            f"Install it with: pip install 'asleft[{command.extras}]'"
        )
    except KeyboardInterrupt:
        return EXIT_INTERRUPTED
    except SystemExit as leave:  # argparse: 0 after --help, 2 after a message of its own
        return leave.code if isinstance(leave.code, int) else EXIT_WRONG_INPUT


class _Parser(argparse.ArgumentParser):
    """Says what was wrong and where the help is, without the block of usage in between."""

    def error(self, message: str) -> NoReturn:
        self.exit(EXIT_WRONG_INPUT, f"{self.prog}: {message}\nSee {self.prog} --help.\n")


def _refuse(message: str) -> int:
    print(message, file=sys.stderr)
    return EXIT_WRONG_INPUT


def _never_fail_on_a_character() -> None:
    for stream in (sys.stdout, sys.stderr):
        if isinstance(stream, io.TextIOWrapper):
            stream.reconfigure(errors="replace")


if __name__ == "__main__":
    sys.exit(main())
