"""What `asleft users` does: each change in one transaction with its line of the audit trail."""

from __future__ import annotations

import argparse
import getpass
import sys
import time
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from datetime import UTC, datetime
from pathlib import Path

from asleft.cli.actor import command_line
from asleft.cli.errors import UserError
from asleft.cli.records_option import opened, place_of, records_of
from asleft.store.access import AccessStore, open_access
from asleft.store.accounts import Account, AccountExists, Role, UnknownAccount
from asleft.web.access.passwords import LONGEST, Passwords, clean_name, fault_of_name, faults_of_password


def run(args: argparse.Namespace) -> int:
    """Do the chosen one. Raises `UserError`."""
    with accounts_of(args) as store:
        try:
            _ACTIONS[args.action](store, args)
        except (AccountExists, UnknownAccount) as error:
            raise UserError(f"asleft users: {error}; asleft users list {place_of(args)} shows all") from error
    return 0


@contextmanager
def accounts_of(args: argparse.Namespace) -> Iterator[AccessStore]:
    """The accounts among the records of a plant. Raises `UserError`."""
    data: Path = args.data
    if data.exists() and not data.is_dir():
        raise UserError(f"--data {data}: not a folder")
    store = opened(records_of(args), open_access)
    try:
        yield store
    finally:
        store.close()


def _add(store: AccessStore, args: argparse.Namespace) -> None:
    name = clean_name(args.name)
    fault = fault_of_name(name)
    if fault:
        raise UserError(f"asleft users add: {fault}")
    if store.accounts.find(name) is not None:
        raise AccountExists(f"there is an account {name} already")
    hashed = Passwords().hash(_new_password(name, from_stdin=args.password_stdin))
    store.accounts.add(name, Role(args.role), hashed, command_line(), time.time_ns())
    print(f"{name}: added as {args.role}.")
    if not any(account.role is Role.ADMINISTRATOR for account in store.accounts.all()):
        print(
            "There is no administrator yet, so nobody sees the audit trail:\n"
            f"  asleft users add NAME --role administrator {place_of(args)}"
        )
    print(f"Next: sign in as {name} on the dashboard (asleft web {place_of(args)}); one that runs asks from now on.")


def _list(store: AccessStore, args: argparse.Namespace) -> None:
    accounts = store.accounts.all()
    if not accounts:
        print(f"No accounts. The first: asleft users add NAME --role administrator {place_of(args)}")
        return
    head = ("name", "role", "state", "password set", "sessions")
    print_table([head, *(_row(store, account) for account in accounts)])


def print_table(rows: Sequence[tuple[str, ...]]) -> None:
    """Rows of cells below one another, the first of them the head."""
    widths = [max(len(row[column]) for row in rows) for column in range(len(rows[0]))]
    for row in rows:
        print("  ".join(cell.ljust(width) for cell, width in zip(row, widths, strict=True)).rstrip())


def _row(store: AccessStore, account: Account) -> tuple[str, str, str, str, str]:
    state = "disabled" if account.disabled else "active"
    day = f"{datetime.fromtimestamp(account.password_at_ns / 1e9, UTC):%Y-%m-%d}"
    return account.name, account.role.value, state, day, str(len(store.sessions.of(account.name)))


def _role(store: AccessStore, args: argparse.Namespace) -> None:
    name, role = clean_name(args.name), Role(args.role)
    changed = store.accounts.set_role(name, role, command_line(), time.time_ns())
    print(f"{name}: is {role.value} now." if changed else f"{name}: is {role.value} already; nothing changed.")
    _warn_of_no_administrator(store)


def _password(store: AccessStore, args: argparse.Namespace) -> None:
    name = clean_name(args.name)
    if store.accounts.find(name) is None:
        raise UnknownAccount(f"there is no account {name}")
    hashed = Passwords().hash(_new_password(name, from_stdin=args.password_stdin))
    ended = store.accounts.set_password(name, hashed, command_line(), time.time_ns())
    print(f"{name}: password set, {ended} session{'' if ended == 1 else 's'} ended. Next: sign in with it.")


def _disable(store: AccessStore, args: argparse.Namespace) -> None:
    name = clean_name(args.name)
    changed = store.accounts.set_disabled(name, True, command_line(), time.time_ns())
    print(f"{name}: shut out, its sessions are ended." if changed else f"{name}: is disabled already.")
    _warn_of_no_administrator(store)


def _enable(store: AccessStore, args: argparse.Namespace) -> None:
    name = clean_name(args.name)
    changed = store.accounts.set_disabled(name, False, command_line(), time.time_ns())
    print(f"{name}: may sign in again, with the password it had." if changed else f"{name}: is active already.")


def _remove(store: AccessStore, args: argparse.Namespace) -> None:
    name = clean_name(args.name)
    store.accounts.remove(name, command_line(), time.time_ns())
    print(f"{name}: removed. Its lines in the audit trail stay.")
    if not store.accounts.any():
        print(
            "That was the last account. A dashboard that runs lets nobody in; started again it serves this machine "
            "alone, without signing in."
        )
    else:
        _warn_of_no_administrator(store)


def _sessions(store: AccessStore, args: argparse.Namespace) -> None:
    name = None if args.name is None else clean_name(args.name)
    if name is not None and store.accounts.find(name) is None:
        raise UnknownAccount(f"there is no account {name}")
    sessions = store.sessions.of(name)
    if not sessions:
        print("No session is open.")
        return
    head = ("session", "account", "since (UTC)", "last seen", "from")
    rows = [(one.short, one.account, _at(one.started_at_ns), _at(one.seen_at_ns), one.address) for one in sessions]
    print_table([head, *rows])


def _end(store: AccessStore, args: argparse.Namespace) -> None:
    name = clean_name(args.name)
    found = [one for one in store.sessions.of(name) if one.short == args.session]
    if not found or not store.sessions.end(found[0].digest, command_line(), time.time_ns(), "ended by command"):
        where = f"asleft users sessions {place_of(args)}"
        raise UserError(f"asleft users end: {name} has no session {args.session}; {where} shows all")
    print(f"{name}: that session has ended.")


def _second_factor(store: AccessStore, args: argparse.Namespace) -> None:
    name = clean_name(args.name)
    removed = store.accounts.set_second_factor(name, "", command_line(), time.time_ns())
    print(f"{name}: signs in by the password alone now." if removed else f"{name}: has no second factor.")


def _at(at_ns: int) -> str:
    return f"{datetime.fromtimestamp(at_ns / 1e9, UTC):%Y-%m-%d %H:%M}"


def _log(store: AccessStore, args: argparse.Namespace) -> None:
    if args.last < 1:
        raise UserError(f"--last {args.last}: at least 1")
    for entry in reversed(store.audit.newest(args.last)):
        at = datetime.fromtimestamp(entry.at_ns / 1e9, UTC)
        what = "  ".join(part for part in (entry.action, entry.subject, entry.details) if part)
        print(f"{entry.number:>6}  {at:%Y-%m-%d %H:%M:%S} UTC  {entry.who or '-'}  {entry.address}  {what}")


def _warn_of_no_administrator(store: AccessStore) -> None:
    if not any(a.role is Role.ADMINISTRATOR and not a.disabled for a in store.accounts.all()):
        print("There is no active administrator now, so nobody sees the audit trail on the dashboard.")


def _new_password(name: str, *, from_stdin: bool) -> str:
    if from_stdin:
        password = sys.stdin.readline(4 * LONGEST).removesuffix("\n").removesuffix("\r")
    elif sys.stdin.isatty():
        print("At least 15 characters; three or four words that have nothing to do with one another are fine.")
        password = getpass.getpass(f"Password for {name}: ")
        if not faults_of_password(name, password) and getpass.getpass("The same once more: ") != password:
            raise UserError("asleft users: the two passwords differ; nothing was changed")
    else:
        raise UserError("asleft users: there is no terminal to ask for a password; use --password-stdin")
    faults = faults_of_password(name, password)
    if faults:
        raise UserError("\n".join(f"asleft users: the password will not do: {fault}" for fault in faults))
    return password


_ACTIONS: Mapping[str, Callable[[AccessStore, argparse.Namespace], None]] = {
    "add": _add,
    "list": _list,
    "role": _role,
    "password": _password,
    "disable": _disable,
    "enable": _enable,
    "remove": _remove,
    "sessions": _sessions,
    "end": _end,
    "second-factor": _second_factor,
    "log": _log,
}
