"""What sends lines to a syslog."""

from __future__ import annotations

import logging
import sys
from logging.handlers import SYSLOG_UDP_PORT, SysLogHandler


def syslog_of(wanted: str) -> SysLogHandler:
    """A handler that sends to `/dev/log` (or another path) or `udp://HOST:PORT`.

    Raises:
        ValueError: it is neither.
        OSError: it cannot be reached.
    """
    handler = _Syslog(_address_of(wanted), facility=SysLogHandler.LOG_AUTHPRIV)
    handler.ident = "asleft-audit: "
    handler.append_nul = False
    return handler


class _Syslog(SysLogHandler):
    """Says once that lines do not get through, and goes on: the trail itself is in the records."""

    told = False

    def handleError(self, record: logging.LogRecord) -> None:  # noqa: N802 - as logging names it
        if not self.told:
            self.told = True
            print(f"asleft: the audit trail does not reach the syslog: {sys.exc_info()[1]}", file=sys.stderr)


def _address_of(wanted: str) -> str | tuple[str, int]:
    if wanted.startswith("/"):
        return wanted
    kind, _, place = wanted.partition("://")
    host, _, port = place.partition(":")
    if kind != "udp" or not host:
        raise ValueError("no such kind of address")
    return host, int(port or SYSLOG_UDP_PORT)
