"""`asleft agents`: which edge box may send the readings of which valve."""

from __future__ import annotations

import argparse
from pathlib import Path

from asleft.cli.records_option import ABOUT as ABOUT_RECORDS
from asleft.cli.records_option import add_records_argument

HELP = f"""\
what it does
  A certificate says which agent a message comes from, not which valves that
  agent may speak for. This says so. What an agent sends of another valve is not
  stored; the health page and the recorder's log name agent, valve and command.

commands
  list      which agent may send which valve, since when, and who said so
  bind      let AGENT send these valves; a valve may have several agents, as
            while one box takes over from another
  release   no longer let AGENT send them; what is stored stays

when nothing is bound
  An agent of which no valve is bound yet keeps all its blocks, unacknowledged,
  in its spool until one is: nothing is lost while somebody looks for this page.
  Once some of its valves are bound, blocks of any other are put aside and
  declared lost, so that those of its own valves go on.
  Where asleft record works with --first-come, a valve that nobody has bound
  belongs to the first agent that sends it, at most 128 for each agent; without
  a certificate or name at the broker that is how it works, because there
  anybody may give any name. --no-first-come switches it off.
  A store from before there were bindings: each valve is bound to the agent that
  its newest samples came from when the recorder starts.

{ABOUT_RECORDS}
examples
  asleft agents list --data /var/lib/asleft
  asleft agents bind hall-2 press-9.platen press-9.ejector --data /var/lib/asleft
  asleft agents release hall-1 press-9.platen --data /var/lib/asleft

exit codes
  0  done
  1  nothing had to be changed
  2  wrong input; nothing was changed, and the message says what is wanted

The recorder reads the change within two seconds. Each change is a line of the
audit trail (asleft users log).
"""


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Declare the sub-commands of `asleft agents`."""
    commands = parser.add_subparsers(dest="action", required=True, metavar="COMMAND")
    for name, summary in (
        ("list", "Which agent may send which valve."),
        ("bind", "Let an agent send valves."),
        ("release", "No longer let an agent send valves."),
    ):
        made = commands.add_parser(name, help=summary, description=summary)
        if name != "list":
            made.add_argument("agent", metavar="AGENT", help="the agent's id, as in its settings and certificate")
            made.add_argument("valve", metavar="VALVE", nargs="+", help="ids of valves")
        made.add_argument("--data", type=Path, required=True, metavar="DIR", help="the recorder's data folder")
        add_records_argument(made)


def run(args: argparse.Namespace) -> int:
    """Do the chosen one. Raises `UserError`."""
    import time
    from datetime import UTC, datetime

    from asleft.cli.actor import command_line
    from asleft.cli.errors import UserError
    from asleft.cli.records_option import opened, records_of
    from asleft.store.bindings import open_bindings
    from asleft.wire.topics import valid_agent, valid_valve

    data: Path = args.data
    if not data.is_dir() and args.records is None:
        raise UserError(f"--data {data}: not a folder")
    if args.action != "list":
        for what, text, valid in (
            ("agent", args.agent, valid_agent),
            *(("valve", valve, valid_valve) for valve in args.valve),
        ):
            if not valid(text):
                raise UserError(
                    f"{text!r} cannot name {what}: a-z, 0-9, '-' and dots, a letter or digit at both ends"
                )
    store = opened(records_of(args), open_bindings)
    try:
        if args.action == "list":
            rows = [
                (
                    row.agent,
                    row.valve,
                    datetime.fromtimestamp(row.at_ns / 1e9, UTC).strftime("%Y-%m-%d %H:%M UTC"),
                    row.who or "the first to send it",
                )
                for row in sorted(store.bindings(), key=lambda one: (one.agent, one.valve))
            ]
            if not rows:
                print("No valve is bound to an agent.")
            widths = [max((len(row[k]) for row in rows), default=0) for k in range(3)]
            for agent, valve, since, who in rows:
                print(f"{agent:<{widths[0]}}  {valve:<{widths[1]}}  since {since}  {who}")
            return 0
        change = store.bind if args.action == "bind" else store.release
        changed = change(args.agent, args.valve, time.time_ns(), command_line())
        done = "may send" if args.action == "bind" else "may no longer send"
        for valve in changed:
            print(f"{args.agent} {done} {valve}.")
        for valve in sorted(set(args.valve) - set(changed)):
            print(f"{valve}: nothing to change.")
        return 0 if changed else 1
    finally:
        store.close()
