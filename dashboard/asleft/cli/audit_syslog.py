"""Lines of the audit trail to a syslog as they happen, where ASLEFT_AUDIT_SYSLOG says so; for every command."""

from __future__ import annotations

import os
from collections.abc import Iterator, Mapping
from contextlib import contextmanager

from asleft.cli.errors import UserError

VARIABLE = "ASLEFT_AUDIT_SYSLOG"
ABOUT = f"""\
the audit trail elsewhere ({VARIABLE})
  With {VARIABLE}=/dev/log in the environment of a command, or
  udp://HOST:PORT (514 without a port), every line of the audit trail also goes
  to that syslog as it is written (facility authpriv, severity info), where
  nobody who may write to the records can change it. In a unit of systemd:
      Environment={VARIABLE}=/dev/log
  Over UDP nothing says whether a line arrived; the trail itself is complete.
"""


@contextmanager
def sent_to_syslog(environment: Mapping[str, str] = os.environ) -> Iterator[None]:
    """Send what is logged of the audit trail to the syslog that the environment names. Raises `UserError`."""
    wanted = environment.get(VARIABLE, "")
    if not wanted:
        yield
        return
    # What sends takes long to load, and every command goes through here.
    import logging

    from asleft.cli.syslog_handler import syslog_of

    try:
        handler = syslog_of(wanted)
    except (OSError, ValueError) as error:
        raise UserError(f"{VARIABLE}={wanted}: {error}; wanted is /dev/log or udp://HOST:PORT") from error
    log = logging.getLogger("asleft.audit")
    log.setLevel(logging.INFO)
    log.addHandler(handler)
    try:
        yield
    finally:
        log.removeHandler(handler)
        handler.close()
