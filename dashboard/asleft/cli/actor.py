"""Who runs a command, for the audit trail."""

from __future__ import annotations

import getpass
import os

from asleft.store.actor import Actor


def command_line() -> Actor:
    """Whoever runs the command: the user of the machine, who need not have an account here."""
    try:
        user = getpass.getuser()
    except (KeyError, OSError):
        user = f"user {os.getuid()}"
    return Actor(user, "command line")
