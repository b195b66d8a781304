"""What to look at when a broker ends or refuses a connection and says no more than "Unspecified error". Pure."""

from __future__ import annotations

import ssl

from asleft.wire.topics import block_topic, has_dot

_LARGE_BYTES = 1024
"""No broker is known whose limit on the size of a message is below this."""
_RAISE_LIMIT = (
    "raise the broker's limit on packets or messages; what waits stays in the spool until then. Blocks to come are "
    "smaller with a shorter block_s in [sampling]"
)
_SAYS_NOTHING = ("unspecified error", "connection lost", "the connection was lost")


DOT_WORDS = (
    "the agent's id has a '.', which some brokers use between the levels of a topic as others use '/': its messages "
    "then arrive under a topic to which no recorder listens"
)


def lost_words(reason: str, *, tls: bool, certificate: bool, welcomed: bool, client: str, bytes_: int = 0) -> str:
    """Why a connection ended, and what to look at.

    `reason` is what the broker or the client library said; `tls` and `certificate` whether we speak TLS and show a
    certificate; `welcomed` whether the broker had let us in; `client` names our sessions' owner: "agent", "recorder";
    `bytes_` is the size of the largest message sent on the connection, 0 for none.
    """
    low = reason.lower()
    if "too large" in low and bytes_:
        return f"{reason}: the largest message sent had {bytes_} bytes; {_RAISE_LIMIT}"
    if "retain not supported" in low:
        return (
            f"{reason}: this broker keeps no retained messages, and without them no acknowledgement is sure to arrive"
        )
    if "taken over" in low:
        return f"{reason}: another {client} came with our name; two must not share an id or a certificate"
    if "not authorized" in low or "bad user name" in low:
        return (
            f"{reason}: the broker does not let this name in; look at name, password or certificate, and at its log"
        )
    if not any(text in low for text in _SAYS_NOTHING):
        return reason
    if welcomed:
        return (
            f"{reason}: the broker closed the connection or went away; if that happens again and again, another "
            f"{client} has our name or certificate, and each takes the session from the other"
            + (
                f"; or the broker's limit on the size of messages is below the {bytes_} bytes that we sent"
                if bytes_ >= _LARGE_BYTES
                else ""
            )
        )
    if not tls:
        return (
            f"{reason}: the broker closed the connection before it answered; this may be its port for TLS, which "
            "needs the certificate of its authority here"
        )
    if certificate:
        return (
            f"{reason}: the broker closed the connection before it answered; our certificate may be revoked, ended "
            "or of another authority; its log says which"
        )
    return (
        f"{reason}: the broker closed the connection before it answered; it may want a certificate of ours, and none "
        "is set here"
    )


def too_large_words(needs_bytes: int, most_bytes: int) -> str:
    """Why a block is kept back that the broker would hang up on."""
    return f"a block needs a packet of {needs_bytes} bytes, the broker takes at most {most_bytes}; {_RAISE_LIMIT}"


def unreachable_words(error: BaseException | None) -> str:
    """Why no connection came about, and what to look at."""
    if "websocket handshake" in str(error).lower():
        return (
            f"no connection by WebSockets ({error}): is this the broker's port for WebSockets, with TLS or without "
            "as set here, and is the path right?"
        )
    if isinstance(error, ssl.SSLCertVerificationError):
        return (
            f"the broker's certificate is not accepted ({error.verify_message}): is the authority's file that of "
            "this broker, and is it called by a name that stands in the certificate?"
        )
    if isinstance(error, ssl.SSLError):
        reason = getattr(error, "reason", None) or error  # only errors that OpenSSL made have one
        return f"no TLS connection ({reason}): is this the broker's port for TLS?"
    if isinstance(error, ConnectionRefusedError) or error is None:
        return "no broker answers"
    return f"no broker answers ({error})"


def nobody_words(agent: str, *, connected: bool, unheard: bool, lost: str = "", too_large: str = "") -> str:
    """Why nobody may have stored what an agent sent, and what to look at.

    `unheard` is whether the broker itself said that nobody has asked for these messages; `lost` why the connection
    ended last, empty once it holds; `too_large` what was kept back because the broker takes no packet of its size.
    """
    if lost:
        return f"the connection to the broker does not hold: {lost}"
    if not connected:
        return "there is no connection to the broker"
    if too_large:
        return too_large
    if has_dot(agent):
        return f"{DOT_WORDS}; rename the agent if this broker is one of them"
    if unheard:
        return (
            f"the broker says that nobody listens to {block_topic(agent)}: no recorder is connected to this broker, "
            "or its access list does not let the recorder hear us"
        )
    return (
        "the broker took them: is the recorder running, connected to this broker and able to write? its log says; or "
        "the broker's access list lets us publish and drops it silently, or its limit on the size of messages does"
    )
