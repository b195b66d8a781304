"""Web hooks: events written down before they are sent, signed, sent in order, and tried again until taken.

Signed as the open specification "Standard Webhooks" has it: `webhook-id`, `webhook-timestamp` (unix seconds) and
`webhook-signature`, which is "v1," and the base64 of the HMAC-SHA256 over "id.timestamp.body".
"""

from __future__ import annotations

import base64
import hashlib
import hmac
import http.client
import logging
import socket
import ssl
import threading
import time
from collections.abc import Callable, Mapping, Sequence
from contextlib import suppress
from dataclasses import dataclass
from urllib.parse import urlsplit

import msgspec
from asleft.outlets.addresses import resolved
from asleft.outlets.events import State, of_alarms, of_valve, standing
from asleft.outlets.plant import Plant
from asleft.outlets.settings import Webhook
from asleft.store.outbox import HOOK, Notice, Outbox

log = logging.getLogger(__name__)

TIMEOUT_S, LONGEST_S = 10.0, 20.0
MOST_A_ROUND = 20
MOST_WAITING = 5000
LONGEST_WAITING_NS = 3 * 86_400 * 10**9

Post = Callable[[Webhook, bytes, Mapping[str, str]], int]


@dataclass
class Webhooks:
    """All web hooks. `post` sends and gives the status that was answered, or raises `OSError`."""

    hooks: Sequence[Webhook]
    outbox: Outbox
    post: Post

    def make(self, plant: Plant) -> None:
        """Write down what has happened."""
        for hook in self.hooks:
            self._make(hook, plant)

    def send(self, now_ns: int) -> int:
        """Send what waits, some of it for each; how many were taken."""
        return sum(self._send(hook, now_ns) for hook in self.hooks)

    def _make(self, hook: Webhook, plant: Plant) -> None:
        name = HOOK + hook.name
        kept = self.outbox.state(name)
        state = State(plant.now_ns) if kept is None else msgspec.json.decode(kept, type=State)
        made = list(of_alarms(plant.log, plant.rows, state.since_ns, plant.now_ns))
        valves = {}
        for valve, row in plant.rows.items():
            before, found = state.valves.get(valve), plant.quantities[valve]
            valves[valve] = now = standing(row, found, before)
            made += of_valve(row, found, before, now, plant.now_ns)
        told = self.outbox.told(plant.now_ns - 2 * LONGEST_WAITING_NS)
        messages: list[Notice] = []
        for event in made:
            key = f"{name}|{event.id}"
            seen = event.event in hook.events and (hook.valves is None or event.valve in hook.valves)
            if seen and key not in told:
                state.sequence += 1
                body = msgspec.json.encode(msgspec.structs.replace(event, sequence=state.sequence)).decode()
                messages.append(Notice(key, plant.now_ns + len(messages), name, event.event, body))
        state.valves = valves
        text = msgspec.json.encode(state).decode()
        if messages or text != kept:
            self.outbox.advance(name, text, messages)

    def _send(self, hook: Webhook, now_ns: int) -> int:
        name, taken, until_s = HOOK + hook.name, 0, time.monotonic() + LONGEST_S
        queue = self.outbox.queue(name, MOST_A_ROUND)
        if len(queue) == MOST_A_ROUND or any(one.made_ns < now_ns - LONGEST_WAITING_NS for one in queue):
            gone = self.outbox.give_up(name, now_ns, now_ns - LONGEST_WAITING_NS, MOST_WAITING)
            if gone:
                log.error("web hook %s: %d events were given up; sequence has a hole there", hook.name, gone)
                queue = self.outbox.queue(name, MOST_A_ROUND)
        for waiting in queue:
            if waiting.next_ns > now_ns or time.monotonic() > until_s:
                break
            error = self._try(hook, waiting, now_ns)
            if error:
                self.outbox.failed(waiting, now_ns, error)
                log.warning("web hook %s: not taken (try %d): %s", hook.name, waiting.tries + 1, error)
                break  # what comes after waits, so that events arrive in their order
            self.outbox.sent(waiting.key, now_ns)
            taken += 1
        return taken

    def _try(self, hook: Webhook, waiting: Notice, now_ns: int) -> str:
        body = waiting.body.encode()
        identity, at_s = waiting.key.rpartition("|")[2], now_ns // 10**9
        headers = {
            "Content-Type": "application/json",
            "User-Agent": "asleft",
            "webhook-id": identity,
            "webhook-timestamp": str(at_s),
            "webhook-signature": signature(hook.secret, identity, at_s, body),
        }
        try:
            status = self.post(hook, body, headers)
        except (OSError, http.client.HTTPException) as failure:
            return type(failure).__name__  # its words may hold the address, which is a secret
        return "" if 200 <= status < 300 else f"answered {status}"


def signature(secret: bytes, identity: str, at_s: int, body: bytes) -> str:
    """Of one message."""
    made = hmac.new(secret, f"{identity}.{at_s}.".encode() + body, hashlib.sha256).digest()
    return f"v1,{base64.b64encode(made).decode()}"


def post(hook: Webhook, body: bytes, headers: Mapping[str, str]) -> int:
    """Send once, and follow nothing; the status that was answered. Raises `OSError` and `HTTPException`."""
    parts = urlsplit(hook.url)
    address = resolved(parts)
    port = parts.port or (443 if parts.scheme == "https" else 80)
    # To the very address that was looked at: a name that leads elsewhere a moment later changes nothing.
    held: list[socket.socket] = [socket.create_connection((address, port), TIMEOUT_S)]

    def cut() -> None:
        with suppress(OSError):
            held[-1].shutdown(socket.SHUT_RDWR)

    ends = threading.Timer(LONGEST_S, cut)  # of a handshake or an answer that comes byte by byte
    ends.daemon = True
    ends.start()
    connection = http.client.HTTPConnection(parts.hostname or "", port, timeout=TIMEOUT_S)
    try:
        if parts.scheme == "https":
            context = ssl.create_default_context(cafile=hook.ca_file)
            secured = context.wrap_socket(held[0], server_hostname=parts.hostname, do_handshake_on_connect=False)
            held.append(secured)
            secured.do_handshake()
        connection.sock = held[-1]
        where = (parts.path or "/") + (f"?{parts.query}" if parts.query else "")
        connection.request("POST", where, body, dict(headers))
        return connection.getresponse().status
    finally:
        ends.cancel()
        connection.close()
        held[-1].close()
