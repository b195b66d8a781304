"""`asleft tokens`: which programs may ask the dashboard, for what and until when."""

from __future__ import annotations

import argparse
import time
from collections.abc import Callable, Mapping
from datetime import UTC, datetime
from functools import partial
from typing import TYPE_CHECKING

from asleft.cli.errors import UserError
from asleft.cli.records_option import add_command
from asleft.cli.users import ROLES

if TYPE_CHECKING:
    from asleft.store.access import AccessStore
    from asleft.store.tokens import Token

HELP = """\
what it does
  Keeps the tokens by which other software reads from the dashboard, under
  /api/v1/ (what there is: /api/v1/openapi.json). A token only reads, sees the
  valves named and no others, and ends by itself. It is shown once, when it is
  made; what is kept of it lets nobody in.

commands
  add     make a token and print it; nothing else is printed on standard output.
          With --account it is that person's: it may no more than the account,
          nothing while that is disabled, and ends when it is removed
  list    all tokens there are or were, without what lets in
  revoke  end a token, at once; its name is never given again

examples
  asleft tokens add historian --data asleft-data --days 365 > historian.token
  asleft tokens add wall-3 --data asleft-data --valve press-3.platen --valve press-3.clamp
  curl -H "Authorization: Bearer $(cat historian.token)" \\
    https://presses.plant.example/api/v1/valves
  asleft tokens revoke historian --data asleft-data

exit codes
  0  done
  2  wrong input; nothing was changed, and the message says what is wanted

cautions
  Whoever has a token reads what it reads. Give each program one of its own,
  keep it in a file that only that program may read, and send it only over TLS.
"""

LONGEST_DAYS = 1830
USUAL_DAYS = 90
MOST_VALVES = 1000


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Declare the sub-commands of `asleft tokens`."""
    commands = parser.add_subparsers(dest="action", required=True, metavar="COMMAND")
    command = partial(add_command, commands)
    add = command("add", "Make a token and print it.")
    add.add_argument(
        "--role",
        choices=ROLES,
        default="viewer",
        help="whose rights it has, to read alone (default viewer, which reads all there is today)",
    )
    add.add_argument(
        "--valve", action="append", metavar="ID", help="it sees this valve; may be repeated; without it, every valve"
    )
    add.add_argument("--account", metavar="NAME", help="whose it is: it ends with this account")
    add.add_argument(
        "--days", type=float, default=USUAL_DAYS, metavar="N", help=f"it ends after so long (default {USUAL_DAYS})"
    )
    command("list", "List all tokens.", named=False)
    command("revoke", "End a token, at once.")


def run(args: argparse.Namespace) -> int:
    """Do the chosen one. Raises `UserError`."""
    from asleft.cli.records_option import place_of
    from asleft.cli.users_actions import accounts_of
    from asleft.store.accounts import UnknownAccount
    from asleft.store.tokens import TokenExists, UnknownToken

    actions: Mapping[str, Callable[[AccessStore, argparse.Namespace], None]] = {
        "add": _add,
        "list": _list,
        "revoke": _revoke,
    }
    with accounts_of(args) as store:
        try:
            actions[args.action](store, args)
        except UnknownAccount as error:
            hint = f"asleft users list {place_of(args)} shows all"
            raise UserError(f"--account {args.account}: {error}; {hint}") from error
        except (TokenExists, UnknownToken) as error:
            raise UserError(f"asleft tokens: {error}; asleft tokens list {place_of(args)} shows all") from error
    return 0


def _add(store: AccessStore, args: argparse.Namespace) -> None:
    import sys

    from asleft.cli.actor import command_line
    from asleft.store.accounts import Role
    from asleft.web.access.passwords import fault_of_name
    from asleft.web.access.visitor import digest_of, new_token
    from asleft.wire.topics import ID_WANTED, valid_valve

    fault = fault_of_name(args.name)
    if fault:
        raise UserError(f"asleft tokens add: {fault}")
    if not 0 < args.days <= LONGEST_DAYS:
        raise UserError(f"--days {args.days:g}: more than 0 and at most {LONGEST_DAYS} are wanted")
    valves = args.valve
    if valves is not None and len(valves) > MOST_VALVES:
        raise UserError(f"--valve: {len(valves)} given; at most {MOST_VALVES}, or leave it out for every valve")
    for valve in valves or ():
        if not valid_valve(valve):
            raise UserError(f"--valve {valve[:80]!r}: {ID_WANTED}")
    now_ns, token = time.time_ns(), new_token()
    ends_ns = now_ns + round(args.days * 86_400e9)
    store.tokens.add(
        args.name, digest_of(token), Role(args.role), valves, ends_ns, command_line(), now_ns, args.account
    )
    print(token)
    print(f"{args.name}: made, ends {_day(ends_ns)}. It is not shown again.", file=sys.stderr)
    if not store.accounts.any():
        print("There are no accounts yet, so programs on this machine can also ask without it.", file=sys.stderr)


def _list(store: AccessStore, args: argparse.Namespace) -> None:
    from asleft.cli.records_option import place_of
    from asleft.cli.users_actions import print_table

    tokens, now_ns = store.tokens.all(), time.time_ns()
    if not tokens:
        print(f"No tokens. The first: asleft tokens add NAME {place_of(args)}")
        return
    rows = [("name", "role", "state", "made", "by", "ends", "last used", "account", "valves")]
    for one in tokens:
        used = "never" if one.used_at_ns is None else _day(one.used_at_ns)
        valves = "every valve" if one.valves is None else ", ".join(sorted(one.valves))
        days = _day(one.made_at_ns), one.made_by, _day(one.expires_at_ns)
        rows.append((one.name, one.role.value, _state(one, now_ns), *days, used, one.account or "", valves))
    print_table(rows)


def _state(token: Token, now_ns: int) -> str:
    if token.holds(now_ns):
        return "holds"
    if token.revoked_at_ns is not None:
        return "revoked"
    return "account disabled" if token.disabled else "ended"


def _revoke(store: AccessStore, args: argparse.Namespace) -> None:
    from asleft.cli.actor import command_line

    ended = store.tokens.revoke(args.name, command_line(), time.time_ns())
    print(f"{args.name}: revoked." if ended else f"{args.name}: was revoked already; nothing changed.")


def _day(at_ns: int) -> str:
    return f"{datetime.fromtimestamp(at_ns / 1e9, UTC):%Y-%m-%d %H:%M} UTC"
