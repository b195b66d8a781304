"""What a Modbus connection is to those who read over it, and which function codes may be sent over any."""

from __future__ import annotations

from typing import Protocol

from asleft.instruments.steps import Steps

FUNCTION_CODES = {"coil": 1, "discrete": 2, "holding": 3, "input": 4}
"""Function codes that may be sent, by the table they read (Modbus application protocol, 6.1 to 6.4)."""

_ALLOWED = frozenset(FUNCTION_CODES.values())


class WriteRefused(Exception):  # noqa: N818 - reads as what it says
    """Something in this program tried to send a function code that could change the machine."""


class ConnectionLost(Exception):  # noqa: N818 - reads as what it says
    """The other side ended the connection, or it broke."""


class NoReply(Exception):  # noqa: N818 - reads as what it says
    """Nothing came that could be a reply to this request."""


def refuse_writes(code: int) -> None:
    """Let function codes 1 to 4 pass, raise `WriteRefused` for all others. Called right before bytes go out."""
    if code not in _ALLOWED:
        raise WriteRefused(f"function code {code} was about to be sent; only reading (1 to 4) is allowed")


class ModbusPort(Protocol):
    """One connection for one thread; it does not reconnect by itself."""

    replied_ns: int
    """When what was received last came (monotonic); 0 where that is not known better than by when it was taken."""

    @property
    def connected(self) -> bool:
        """Whether it is open, as far as is known."""

    def connect(self) -> Steps[bool]:
        """Open it; False if that is not possible."""

    def ask(self, unit: int, code: int, address: int, count: int) -> Steps[bytes]:
        """Send one request and wait for its reply, which is given from its function code on.

        The reply has the request's transaction (where there are any) and unit; its function code and length are for
        the caller to look at. Raises `ConnectionLost`, `NoReply`, `WriteRefused`. After the first two close it: what
        else arrives may belong to this request.
        """

    def close(self) -> None:
        """Close it."""
