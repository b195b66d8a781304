"""`asleft users`: who may sign in to the dashboard, and as what."""

from __future__ import annotations

import argparse
from functools import partial

from asleft.cli.records_option import add_command

HELP = """\
what it does
  Keeps the accounts of the dashboard (asleft web) in the records of the data
  folder DIR. From the first account on everybody has to sign in. Changes take
  effect at once, also in sessions that are open.

roles, each with what the ones before it may
  viewer         sees the presses, valves and health pages; for a wall, too
  technician     may also enter things, as far as pages offer it
  administrator  sees also the audit trail: who did what, when, from where

commands
  add       add an account; the password is asked for, twice, unseen
  list      all accounts
  role      give an account another role
  password  set another password; signs the account out everywhere
  disable   shut an account out, at once; its name and history stay
  enable    let it in again
  sessions  where accounts are signed in, now
  end       end one session, by the name that sessions gives it
  second-factor  take an account's second factor away, as when a phone is lost
  remove    take an account away for good
  log       the audit trail as text, newest last

passwords
  At least 15 characters, without the account's name in it. Three or four words
  that have nothing to do with one another are easy to type:
      copper ladder seven owls
  After a few wrong ones in a row each further try has to wait; setting a new
  password ends the waiting. A browser that has signed in before has tries of
  its own: others' guessing does not keep its person out.

second factor
  A code from an app besides the password, set up by its person on the page of
  their account. asleft web --require-second-factor asks it of administrators.

being told
  What happens to an account (another password, a browser that had not signed
  in before, another role) stands beside its name on every page until its
  person has read it.

examples
  asleft users add kl --role administrator --data asleft-data
  asleft users add wall --role viewer --data asleft-data
  asleft users password kl --data asleft-data
  printf '%s\\n' "$SECRET" | asleft users add ab --role technician \\
    --data asleft-data --password-stdin
  asleft users disable ab --data asleft-data

exit codes
  0  done
  2  wrong input; nothing was changed, and the message says what is wanted

cautions
  Whoever may write to DIR may do all this. Keep the folder to the account that
  runs recorder and dashboard. Each person gets an account of their own: the
  audit trail is worth nothing where three share one.
"""

ROLES = ("viewer", "technician", "administrator")


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Declare the sub-commands of `asleft users`."""
    commands = parser.add_subparsers(dest="action", required=True, metavar="COMMAND")
    command = partial(add_command, commands)
    add = command("add", "Add an account.")
    add.add_argument("--role", choices=ROLES, required=True, help="what it may do; see asleft users --help")
    _password_option(add)
    command("list", "List all accounts.", named=False)
    role = command("role", "Give an account another role.")
    role.add_argument("role", choices=ROLES, help="the new role")
    _password_option(command("password", "Set another password, and sign the account out everywhere."))
    command("disable", "Shut an account out, at once.")
    command("enable", "Let a disabled account in again.")
    command("remove", "Take an account away for good.")
    sessions = command("sessions", "List open sessions, newest first.", named=False)
    sessions.add_argument("name", nargs="?", metavar="NAME", help="of this account alone")
    end = command("end", "End one session, at once.")
    end.add_argument("session", metavar="SESSION", help="as asleft users sessions names it")
    command("second-factor", "Take the second factor of an account away.")
    log = command("log", "Print the audit trail, newest last.", named=False)
    log.add_argument("--last", type=int, default=100, metavar="N", help="how many lines (default 100)")


def run(args: argparse.Namespace) -> int:
    """Do the chosen one; its exit code."""
    from asleft.cli import users_actions

    return users_actions.run(args)


def _password_option(parser: argparse.ArgumentParser) -> None:
    parser.add_argument(
        "--password-stdin", action="store_true", help="take the password from the first line of standard input"
    )
